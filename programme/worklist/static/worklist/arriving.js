// An open list asks every 20 s whether anything changed, and brings itself up to date without moving what has focus.

const EVERY_MS = 20000;
const live = document.getElementById("live");

async function look() {
  const everyone = document.getElementById("everyone");
  if (document.hidden || !everyone) return;
  if (document.querySelector("dialog[open]") || everyone.classList.contains("htmx-swapping")) return;
  try {
    const answer = await fetch("/list-version/", { headers: { Accept: "text/plain" }, redirect: "error" });
    if (!answer.ok) return;
    const version = await answer.text();
    if (version !== document.getElementById("everyone").dataset.version) await renew();
  } catch {
    // No connection: the list stays as it is, and the next look tries again.
  }
}

async function renew() {
  const here = document.activeElement;
  const held = here && here.closest("#everyone") ? here.getAttribute("href") : null;
  const asked = new URLSearchParams({ find: document.getElementById("find").value });
  await window.htmx.ajax("GET", `/?${asked}`, { target: "#everyone", swap: "outerHTML show:none" });
  if (held) {
    const again = [...document.querySelectorAll("#everyone a")].find((link) => link.getAttribute("href") === held);
    if (again) again.focus({ preventScroll: true });
  }
  live.textContent = "Something new arrived; the list is up to date.";
}

setInterval(look, EVERY_MS);
document.addEventListener("visibilitychange", look);
