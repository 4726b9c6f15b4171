// The list: keys, print, and what changed after a search. Without this file the page still works.

const print = document.getElementById("print");
const find = document.getElementById("find");
const keys = document.getElementById("keys");
const live = document.getElementById("live");

print.hidden = false;
print.addEventListener("click", () => window.print());

document.body.addEventListener("htmx:afterSwap", () => {
  const table = document.querySelector("#everyone table");
  if (table) live.textContent = `${table.dataset.shown} people shown`;
});

const names = () => [...document.querySelectorAll("#everyone a[data-row]")];

function move(step) {
  const all = names();
  if (!all.length) return;
  const here = all.indexOf(document.activeElement);
  const next = here < 0 ? (step > 0 ? 0 : all.length - 1) : Math.min(Math.max(here + step, 0), all.length - 1);
  all[next].focus();
  all[next].scrollIntoView({ block: "nearest" });
}

function openPlan() {
  const here = document.activeElement;
  if (here && here.matches("a[data-row]")) window.location.assign(`${here.href}plan/`);
}

function openPlaces() {
  const here = document.activeElement;
  const place = here && here.matches("a[data-row]") && here.closest("tr").querySelector(".bk a");
  if (place) window.location.assign(place.href);
}

const acts = { "/": () => find.focus(), j: () => move(1), k: () => move(-1), p: openPlan, b: openPlaces, "?": () => keys.showModal() };

document.addEventListener("keydown", (event) => {
  if (document.body.dataset.letterKeys !== "on" || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest("input, textarea, select, dialog")) return;
  const act = acts[event.key];
  if (!act) return;
  event.preventDefault();
  act();
});

// From the field, the arrow down goes on to the first name found.
find.addEventListener("keydown", (event) => {
  if (event.key === "ArrowDown") {
    event.preventDefault();
    move(1);
  }
});
