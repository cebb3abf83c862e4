// Puts new readings into the train as they arrive. The browser reconnects by itself and says where it was.
"use strict";
const train = document.getElementById("train-block");
if (train) {
  const stream = new EventSource(`/api/v1/live?skid=${encodeURIComponent(train.dataset.skid)}`);
  stream.addEventListener("values", (event) => {
    for (const cell of JSON.parse(event.data).values) {
      for (const row of train.querySelectorAll("[data-cell]")) {
        if (row.dataset.cell !== cell.tag) continue;
        row.querySelector(".value").textContent = cell.text;
        row.querySelector(".unit").textContent = cell.unit_label;
        const quality = row.querySelector(".quality");
        quality.textContent = cell.quality_word;
        quality.parentElement.className = `q-${cell.quality}`;
        const age = row.querySelector(".age");
        if (age) age.textContent = cell.age;
      }
    }
  });
}
