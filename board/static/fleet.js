// Loads the list again when the server says that it has changed, and filters it by what is typed.
"use strict";
const live = document.getElementById("live");
let wanted = "";

function filter() {
  for (const line of document.querySelectorAll(".line")) {
    line.hidden = wanted !== "" && !line.querySelector("h2").textContent.toLowerCase().includes(wanted);
  }
}

function listen() {
  const find = document.getElementById("find");
  if (!find) return;
  find.value = wanted;
  find.addEventListener("input", () => { wanted = find.value.trim().toLowerCase(); filter(); });
}

async function load() {
  const answer = await fetch("/", { headers: { Accept: "text/html" } });
  if (!answer.ok || answer.redirected) { location.reload(); return; }
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("live");
  const held = document.activeElement;
  const address = held && held.closest("#live") ? held.getAttribute("href") || held.id : null;
  live.dataset.version = fresh.dataset.version;
  live.replaceChildren(...fresh.childNodes);
  listen();
  filter();
  if (address) {
    const again = [...live.querySelectorAll("a, input")].find((one) => one.getAttribute("href") === address || one.id === address);
    if (again) again.focus({ preventScroll: true });
  }
}

listen();
const stream = new EventSource("/api/v1/live");
// The first event may already tell of something newer than the page that was sent.
stream.addEventListener("fleet", (event) => { if (JSON.parse(event.data).version !== live.dataset.version) load().catch(() => {}); });
