// Reads values off the trends by pointer or arrow keys. Everything is in the page already.
"use strict";
const block = document.getElementById("trend-block");
const plots = block ? [...block.querySelectorAll(".plot[data-values]")] : [];
const first = block ? Number(block.dataset.first) : 0;
const step = block ? Number(block.dataset.step) : 1;
const time = block && new Intl.DateTimeFormat(block.dataset.language, {
  timeZone: block.dataset.zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23",
});
const values = new Map(plots.map((plot) => [plot, plot.dataset.values.split(",")]));
const NS = "http://www.w3.org/2000/svg";
let at = -1;

function show(index) {
  if (!plots.length) return;
  const count = values.get(plots[0]).length;
  at = Math.max(0, Math.min(count - 1, index));
  const told = plots.map((plot) => {
    const panel = plot.closest(".panel");
    return `${panel.dataset.tag} ${values.get(plot)[at] || "–"} ${panel.dataset.unit}`.trim();
  });
  block.querySelector(".readout").textContent = `${time.format(new Date((first + at * step) * 1000))}: ${told.join(" · ")}`;
  for (const plot of plots) {
    const svg = plot.querySelector("svg");
    let line = svg.querySelector(".cursor");
    if (!line) {
      line = document.createElementNS(NS, "line");
      line.setAttribute("class", "cursor");
      line.setAttribute("y1", "0");
      line.setAttribute("y2", "100");
      svg.append(line);
    }
    const x = String(((at + 0.5) / count) * 1000);
    line.setAttribute("x1", x);
    line.setAttribute("x2", x);
  }
}

for (const plot of plots) {
  plot.addEventListener("pointermove", (event) => {
    const box = plot.getBoundingClientRect();
    show(Math.floor(((event.clientX - box.left) / box.width) * values.get(plot).length));
  });
  plot.addEventListener("keydown", (event) => {
    const count = values.get(plot).length;
    const jump = { ArrowLeft: -1, ArrowRight: 1, PageUp: -24, PageDown: 24, Home: -count, End: count }[event.key];
    if (jump === undefined) return;
    event.preventDefault();
    show((at < 0 ? count - 1 : at) + jump);
  });
}
