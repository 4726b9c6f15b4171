// Forms that are worked out as they are typed.

// A haemoglobin typed in g/dL is answered at once; the server reads it the same way and has the last word.
const answer = (box) => {
  const hint = document.getElementById(`${box.id}_hint`)?.querySelector(".ans");
  if (!hint) return;
  const value = Number(box.value);
  const low = Number(box.dataset.hbLow);
  const high = Number(box.dataset.hbHigh);
  const inDecilitres = value < low && value * 10 >= low && value * 10 <= high;
  hint.textContent = inDecilitres ? `read as ${Math.round(value * 1000) / 100} g/L` : "";
  const suffix = box.parentElement.querySelector(".suf");
  if (suffix) suffix.textContent = inDecilitres ? "g/dL" : "g/L";
};

document.addEventListener("input", (event) => {
  if (event.target.matches("[data-hb-low]")) answer(event.target);
});

// A button that was pressed is answered with the whole form. Until then nothing in it is typed or pressed: either would
// take the press back, and a step that was taken out would stand again.
const pressed = (event) => event.detail.requestConfig?.triggeringEvent?.type === "submit";
let focused = "";

document.addEventListener("htmx:beforeRequest", (event) => {
  if (!pressed(event)) return;
  focused = document.activeElement?.id ?? "";
  event.detail.elt.inert = true;
});
document.addEventListener("htmx:afterRequest", (event) => {
  if (pressed(event)) event.detail.elt.inert = false;
});
document.addEventListener("htmx:afterSettle", () => {
  if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
  focused = "";
});
