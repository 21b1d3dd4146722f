"use strict";
const columns = ["rank", "patient", "code", "grade", "urgency", "switched_on", "ratios", "tsh"];
const rows = JSON.parse(document.getElementById("worklist-data").textContent);
const body = document.querySelector("#worklist tbody");
const search = document.getElementById("search");
const shown = document.getElementById("shown");
const size = 100;
let order = "rank", rising = true, page = 0;

const words = (row) => [row.patient, row.code, row.grade, row.urgency, row.switched_on, row.statement, row.act].join(" ").toLowerCase();
rows.forEach((row) => { row.words = words(row); });

function compare(a, b) {
  const x = a[order], y = b[order];
  if (x === y) return a.rank - b.rank;
  if (x === null) return 1;
  if (y === null) return -1;
  return (x < y ? -1 : 1) * (rising ? 1 : -1);
}

function cell(text, kind) {
  const found = document.createElement("td");
  found.textContent = text;
  if (kind) found.className = kind;
  return found;
}

function draw() {
  const wanted = search.value.toLowerCase().split(/\s+/).filter(Boolean);
  const found = rows.filter((row) => wanted.every((word) => row.words.includes(word))).sort(compare);
  const pages = Math.max(1, Math.ceil(found.length / size));
  page = Math.min(page, pages - 1);
  body.replaceChildren(...found.slice(page * size, (page + 1) * size).map((row) => {
    const line = document.createElement("tr");
    const more = document.createElement("td");
    const details = document.createElement("details");
    const summary = document.createElement("summary");
    summary.textContent = row.act;
    details.append(summary);
    [row.statement, ...row.arithmetic].forEach((text) => {
      const said = document.createElement("p");
      said.className = "small";
      said.textContent = text;
      details.append(said);
    });
    more.append(details);
    line.append(cell(row.rank, "number"), cell(row.patient), cell(row.code), cell(row.grade, "grade"), cell(row.urgency),
      cell(row.switched_on, "day"), cell(row.spread), cell(row.tsh === null ? "" : row.tsh, "number"), more);
    return line;
  }));
  shown.textContent = `${found.length} of ${rows.length}, page ${page + 1} of ${pages}`;
}

document.querySelectorAll("#worklist th button").forEach((button, place) => {
  button.addEventListener("click", () => {
    rising = order === columns[place] ? !rising : true;
    order = columns[place];
    document.querySelectorAll("#worklist th").forEach((head) => head.removeAttribute("aria-sort"));
    button.parentElement.setAttribute("aria-sort", rising ? "ascending" : "descending");
    draw();
  });
});
search.addEventListener("input", () => { page = 0; draw(); });
document.getElementById("back").addEventListener("click", () => { page = Math.max(0, page - 1); draw(); });
document.getElementById("on").addEventListener("click", () => { page += 1; draw(); });
draw();
