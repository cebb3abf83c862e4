// Puts new readings into the train as they arrive, and lets ages grow when none do. The browser
// reconnects by itself and says where it was.
"use strict";
const train = document.getElementById("train-block");

function age(seconds) {
  const s = Math.max(0, Math.round(seconds));
  if (s < 90) return `${s} s`;
  if (s < 5400) return `${Math.round(s / 60)} min`;
  return s < 172800 ? `${Math.round(s / 3600)} h` : `${Math.round(s / 86400)} d`;
}

function rowsOf(tag) {
  return [...train.querySelectorAll("[data-cell]")].filter((row) => row.dataset.cell === tag);
}

function put(cell) {
  for (const row of rowsOf(cell.tag)) {
    row.querySelector(".value").textContent = cell.text;
    row.querySelector(".unit").textContent = cell.unit_label;
    const quality = row.querySelector(".quality");
    quality.textContent = cell.quality_word;
    quality.parentElement.className = `q-${cell.quality}`;
    row.dataset.time = cell.time;
  }
}

if (train) {
  const stream = new EventSource(`/api/v1/live?skid=${encodeURIComponent(train.dataset.skid)}`);
  stream.addEventListener("values", (event) => {
    const { now, values } = JSON.parse(event.data);
    values.forEach(put);
    for (const row of train.querySelectorAll("[data-time]")) {
      const shown = row.querySelector(".age");
      if (shown && row.dataset.time) shown.textContent = age((Date.parse(now) - Date.parse(row.dataset.time)) / 1000);
    }
  });
}
