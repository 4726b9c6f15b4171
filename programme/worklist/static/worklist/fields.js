// Answers a haemoglobin typed in g/dL at once; the server reads it the same way and has the last word.
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
