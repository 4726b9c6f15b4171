// The course: the same picture as a chart that answers to the pointer, drawn over the one that was served.
// Without this file, or where the chart cannot be drawn, the served picture stays.

const holder = document.getElementById("plot");
const served = document.querySelector("#picture .pic-scroll");
const spans = [...document.querySelectorAll("#picture [data-months]")];
const live = document.getElementById("live");
const NARROW = 1100;
const HEIGHT = 410;

const tokens = getComputedStyle(document.body);
const read = (name) => tokens.getPropertyValue(name).trim();

// Colours come as the names of the look's tokens.
function inked(value) {
  if (typeof value === "string") return value.startsWith("--") ? read(value) : value;
  if (Array.isArray(value)) return value.map(inked);
  if (value && typeof value === "object") return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, inked(v)]));
  return value;
}

function range(plot, months) {
  if (months === "all") return [plot.first, plot.last];
  const start = new Date(plot.today);
  start.setMonth(start.getMonth() - Number(months));
  const iso = start.toISOString().slice(0, 10);
  return [iso > plot.first ? iso : plot.first, plot.last];
}

function mark(months) {
  for (const link of spans) {
    if (link.dataset.months === months) link.setAttribute("aria-current", "true");
    else link.removeAttribute("aria-current");
  }
}

async function draw() {
  const plot = inked(JSON.parse(document.getElementById("plot-data").textContent));
  const shown = spans.find((link) => link.hasAttribute("aria-current")).dataset.months;
  const months = window.innerWidth < NARROW && shown === "24" ? "12" : shown;
  const layout = {
    ...plot.layout,
    height: HEIGHT,
    margin: { l: 52, r: 16, t: 24, b: 40 },
    paper_bgcolor: "rgba(0,0,0,0)",
    plot_bgcolor: "rgba(0,0,0,0)",
    showlegend: false,
    hovermode: "closest",
    hoverlabel: { bgcolor: read("--sheet"), bordercolor: read("--ink"), font: { color: read("--ink"), family: read("--read") } },
    font: { family: read("--label"), size: 12, color: read("--ink-2") },
  };
  layout.xaxis = { ...layout.xaxis, range: range(plot, months) };
  holder.hidden = false;
  served.hidden = true;
  await window.Plotly.newPlot(holder, plot.data, layout, { displayModeBar: false, showSendToCloud: false, responsive: true });
  holder.dataset.drawn = "yes";
  mark(months);
  for (const link of spans) {
    link.addEventListener("click", (event) => {
      event.preventDefault();
      window.Plotly.relayout(holder, { "xaxis.range": range(plot, link.dataset.months) });
      mark(link.dataset.months);
    });
  }
}

if (window.Plotly && holder) {
  draw().catch(() => {
    holder.hidden = true;
    served.hidden = false;
  });
}

// After an answer, say so; the fields keep the focus.
document.body.addEventListener("htmx:afterSwap", (event) => {
  const said = document.querySelector("#answers [role=status]");
  if (event.detail.target.id === "answers") live.textContent = said ? said.textContent : "What is in force is shown again.";
});

// On a narrow page the served picture opens at its right end, where today is.
served.scrollLeft = served.scrollWidth;
