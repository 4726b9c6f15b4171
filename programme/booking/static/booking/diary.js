// Arrow keys walk the places and bookings of the sheet; Enter takes what is focused, as everywhere.
const sheet = document.querySelector(".dy");

function walk(from, down, across) {
  const cell = from.closest("td");
  const place = cell.getBoundingClientRect();
  const found = [...sheet.querySelectorAll("[data-cell]")].filter((one) => one !== from && one.offsetParent).map((one) => {
    const box = one.closest("td").getBoundingClientRect();
    return { one, dx: box.left - place.left, dy: box.top - place.top };
  });
  const ahead = found.filter(({ dx, dy }) => (down ? dy * down > 1 : Math.abs(dy) < 2 && dx * across > 1));
  ahead.sort((a, b) => (down ? Math.abs(a.dx) * 4 + Math.abs(a.dy) - Math.abs(b.dx) * 4 - Math.abs(b.dy) : Math.abs(a.dx) - Math.abs(b.dx)));
  ahead[0]?.one.focus();
}

const ways = { ArrowDown: [1, 0], ArrowUp: [-1, 0], ArrowRight: [0, 1], ArrowLeft: [0, -1] };
sheet?.addEventListener("keydown", (event) => {
  const way = ways[event.key];
  if (!way || !event.target.matches("[data-cell]")) return;
  event.preventDefault();
  walk(event.target, ...way);
});
