(() => {
  "use strict";
  const views = new Map();

  const spec = (place) => JSON.parse(document.getElementById(place.dataset.spec).textContent);

  const draw = (place) => drawChart(place, spec(place), {
    mode: "vega-lite", actions: false, renderer: "svg", ast: true, defaultStyle: false, logLevel: 1,
    tooltip: { disableDefaultStyle: true },
  }).then((drawn) => {
    views.set(place, drawn.view);
    const from = Number(place.dataset.seenFrom);
    if (from) place.scrollLeft = Math.max(0, drawn.view.origin()[0] + from - 24);
    if (place.classList.contains("scrolls")) told.observe(place);
    place.dataset.drawn = "yes";
  }).catch((problem) => {
    place.textContent = "This picture could not be drawn; the table below holds its numbers.";
    console.error(problem);
  });

  const followChoice = (section, name, value) => {
    for (const table of section.querySelectorAll(`table[data-follows="${name}"]`)) {
      for (const row of table.tBodies[0].rows) row.hidden = Boolean(row.dataset.of) && row.dataset.of !== value;
    }
  };

  const choose = (box) => {
    const section = box.closest("section");
    followChoice(section, box.dataset.sets, box.value);
    const place = section.querySelector(".chart");
    const view = place && views.get(place);
    if (!view) return;
    const { heights = {} } = spec(place).usermeta || {};
    if (box.value in heights) view.height(heights[box.value]);
    view.signal(`chosen_${box.dataset.sets}`, box.value).runAsync();
  };

  const key = (row, at) => {
    const raw = row.cells[at].dataset.sort;
    if (raw === undefined) return null;
    const n = Number(raw);
    return raw === "" || Number.isNaN(n) ? raw : n;
  };

  const compare = (a, b) => {
    if (a === null || b === null) return (a === null) - (b === null);
    if (typeof a === typeof b) return a < b ? -1 : Number(a > b);
    return typeof a === "number" ? -1 : 1;
  };

  const sort = (head) => {
    const table = head.closest("table");
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const other of head.parentElement.children) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const rows = [...table.tBodies[0].rows].map((row) => [key(row, head.cellIndex), row]);
    rows.sort((a, b) => (a[0] === null || b[0] === null ? compare(a[0], b[0]) : (down ? -1 : 1) * compare(a[0], b[0])));
    table.tBodies[0].append(...rows.map((pair) => pair[1]));
  };

  // what is wider than its box says so in the line before it, whenever the box opens or changes its size
  const told = new ResizeObserver((boxes) => {
    for (const { target } of boxes) {
      target.previousElementSibling.hidden = target.scrollWidth <= target.clientWidth + 1;
    }
  });

  for (const button of document.querySelectorAll("thead button")) {
    button.addEventListener("click", () => sort(button.parentElement));
  }
  for (const box of document.querySelectorAll("select[data-sets]")) {
    box.addEventListener("change", () => choose(box));
    followChoice(box.closest("section"), box.dataset.sets, box.value);
  }
  addEventListener("beforeprint", () => {
    for (const part of document.querySelectorAll(".report details:not([open]), .printed:not([open])")) {
      part.open = true;
      part.dataset.openedForPrint = "yes";
    }
  });
  addEventListener("afterprint", () => {
    for (const part of document.querySelectorAll("details[data-opened-for-print]")) part.open = false;
  });
  for (const box of document.querySelectorAll(".scroll")) told.observe(box);
  Promise.all([...document.querySelectorAll(".chart")].map(draw)).then(() => {
    document.documentElement.dataset.ready = "yes";
  });
})();
