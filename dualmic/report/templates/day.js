"use strict";
const body = document.querySelector("#takes tbody");
const rows = Array.from(body.rows);
const texts = rows.map((row) => row.textContent.toLowerCase());
const words = document.getElementById("words");
const tone = document.getElementById("tone");
const count = document.getElementById("count");

function filter() {
  const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
  let shown = 0;
  rows.forEach((row, k) => {
    const fits = wanted.every((word) => texts[k].includes(word)) && (!tone.value || row.dataset.tone === tone.value);
    row.hidden = !fits;
    shown += fits;
  });
  count.textContent = shown + " of " + rows.length + " takes";
}

function sort(button) {
  const cell = button.parentElement;
  const down = cell.getAttribute("aria-sort") === "ascending";
  for (const other of document.querySelectorAll("#takes thead [aria-sort]")) other.setAttribute("aria-sort", "none");
  cell.setAttribute("aria-sort", down ? "descending" : "ascending");
  const key = button.dataset.sort;
  const numeric = key !== "name" && key !== "time";
  const value = (row) => (numeric ? Number(row.dataset[key]) : row.dataset[key]);
  const order = rows.slice().sort((a, b) => (value(a) < value(b) ? -1 : value(a) > value(b) ? 1 : a.dataset.need - b.dataset.need));
  body.append(...(down ? order.reverse() : order));
}

words.addEventListener("input", filter);
tone.addEventListener("change", filter);
document.querySelector("form").addEventListener("submit", (event) => event.preventDefault());
for (const button of document.querySelectorAll("[data-sort]")) button.addEventListener("click", () => sort(button));
// Escape empties the filter, the slash key goes to it.
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") { words.value = ""; tone.value = ""; filter(); }
  if (event.key === "/" && document.activeElement !== words) { event.preventDefault(); words.focus(); }
});
filter();
