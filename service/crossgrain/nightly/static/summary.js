"use strict";
const tools = document.getElementById("tools");
const body = document.querySelector("#worklist tbody");
const shown = document.getElementById("shown");
const filters = ["urgency", "reason", "grade"];

if (body) {
  const rows = [...body.rows];
  const words = new Map(rows.map((row) => [row, row.textContent.toLowerCase()]));
  const asked = (name) => tools.elements[name].value;

  const isWanted = (row) =>
    filters.every((name) => !asked(name) || row.dataset[name] === asked(name))
    && (!tools.elements.fresh.checked || row.dataset.new === "yes")
    && asked("find").toLowerCase().split(/\s+/).filter(Boolean).every((word) => words.get(row).includes(word));

  const show = () => {
    let count = 0;
    rows.forEach((row) => { row.hidden = !isWanted(row); count += row.hidden ? 0 : 1; });
    shown.textContent = `${count} of ${rows.length} shown`;
  };

  const place = (row) => Number(row.dataset.place);
  const compare = (name) => (a, b) => {
    const [x, y] = [a.dataset[name], b.dataset[name]];
    return name === "place" || x === y ? place(a) - place(b) : x < y ? -1 : 1;
  };
  const sort = () => body.replaceChildren(...rows.toSorted(compare(asked("order"))));

  tools.addEventListener("submit", (event) => event.preventDefault());
  tools.addEventListener("input", (event) => { if (event.target.name === "order") sort(); else show(); });
  tools.addEventListener("reset", () => setTimeout(() => { sort(); show(); }));
  tools.hidden = false;
  show();
}
