// A keyboard-wedge scanner types a code and presses Enter. Enter ends a scan and goes to the next field; a code that
// belongs to another field is carried there by its identifier. The server reads every code again and has the last word.
const scanned = { "=%": "group", "=<": "product", "=>": "expiry", "&>": "expiry" };
const codes = JSON.parse(document.getElementById("group-codes")?.textContent || "{}");

const fieldOf = (form, kind) =>
  kind === "group" ? form.querySelector("select[name=group]") : form.querySelector(`[data-scan="${kind}"]`);

const place = (box) => {
  const kind = scanned[box.value.trim().slice(0, 2)];
  const target = kind && fieldOf(box.form, kind);
  if (!target || target === box) return;
  const value = kind === "group" ? codes[box.value.trim().slice(2, 4).toUpperCase()] : box.value.trim();
  if (!value) return; // the server says that the code is not in the unit's own list
  target.value = value;
  box.value = "";
  const said = document.getElementById("live");
  if (said) said.textContent = `${target.labels[0].textContent.trim()}: read`;
};

document.addEventListener("keydown", (event) => {
  const box = event.target;
  if (event.key !== "Enter" || !box.matches?.("[data-scan]")) return;
  event.preventDefault();
  place(box);
  const boxes = [...box.form.querySelectorAll("[data-scan]")];
  const next = boxes.find((other) => !other.value.trim());
  (next || box.form.querySelector("select[name=group], button[type=submit]")).focus();
});
