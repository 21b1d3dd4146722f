(() => {
  "use strict";
  const byId = (id) => document.getElementById(id);
  const drawn = () => {
  const data = JSON.parse(byId("hover-data").textContent);
  const slider = byId("day"), reading = byId("reading");
  const charts = [...document.querySelectorAll("svg.chart")].filter((one) => one.querySelector(".cursor"));
  const words = (day) => data.days[day] + ". " + data.lines.map((line) =>
    line.name + " " + line.value[day] + " % (" + line.low[day] + " to " + line.high[day] + ")" +
    (line.other ? ", old medicine " + data.modes[1] + ": " + line.other[day] + " %" : "")).join(". ") + ".";

  const show = (day) => {
    for (const chart of charts) {
      const first = +chart.dataset.first, last = +chart.dataset.last;
      const x = first + (last - first) * day / slider.max;
      const cursor = chart.querySelector(".cursor");
      cursor.setAttribute("x1", x);
      cursor.setAttribute("x2", x);
      cursor.classList.add("on");
    }
    slider.value = day;
    slider.setAttribute("aria-valuetext", words(day));
    reading.textContent = words(day);
  };

  slider.addEventListener("input", () => show(+slider.value));
  slider.addEventListener("focus", () => show(+slider.value));
  for (const chart of charts) {
    chart.addEventListener("pointermove", (event) => {
      const box = chart.getBoundingClientRect();
      const first = +chart.dataset.first, last = +chart.dataset.last;
      const x = (event.clientX - box.left) * chart.viewBox.baseVal.width / box.width;
      const day = Math.round((x - first) / (last - first) * slider.max);
      show(Math.min(Math.max(day, 0), +slider.max));
    });
  }
  byId("reader").hidden = false;
  reading.textContent = "Move along the chart, or use the arrow keys.";
  slider.setAttribute("aria-valuetext", words(0));

  };
  if (byId("hover-data")) drawn();

  // In a frame that was given its text (srcdoc) the base is the address of the page around it, so
  // a link to a part of this page would lead to that page instead.
  const alone = (address) => address.split("#")[0];
  const led = alone(document.baseURI) !== alone(location.href);
  for (const link of document.querySelectorAll('a[href^="#"]')) {
    link.addEventListener("click", (event) => {
      if (!led || event.ctrlKey || event.metaKey || event.shiftKey) return;
      event.preventDefault();
      const part = byId(link.getAttribute("href").slice(1));
      part.focus({ preventScroll: true });
      part.scrollIntoView();
    });
  }

  const save = byId("save-dates");
  if (save) save.addEventListener("click", () => {
    const bytes = Uint8Array.from(atob(byId("calendar-file").textContent), (c) => c.charCodeAt(0));
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([bytes], { type: "text/calendar" }));
    link.download = "thyroid-plan.ics";
    link.click();
    URL.revokeObjectURL(link.href);
  });
  if (save) save.hidden = false;
  const print = byId("print");
  if (print) {
    print.addEventListener("click", () => window.print());
    print.hidden = false;
  }
})();
