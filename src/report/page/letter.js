"use strict";
// The page is whole without this: it adds sorting and sifting to the table of files, and a line that reads the figures.

// The leading number of a cell; its own value where the cell states one.
const number = (cell) => {
  const text = cell.dataset.v || cell.textContent.trim().replace("\u2212", "-");
  return text !== "" && Number.isFinite(Number(text)) ? Number(text) : null;
};

const compare = (a, b) => {
  const [x, y] = [number(a), number(b)];
  if (x !== null && y !== null) return x - y;
  return (a.dataset.v || a.textContent).localeCompare(b.dataset.v || b.textContent, "en", { numeric: true });
};

const make = (name, properties, ...children) => {
  const element = Object.assign(document.createElement(name), properties);
  element.append(...children);
  return element;
};

function serveTable(table) {
  const body = table.tBodies[0];
  const rows = [...body.rows];
  const heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, column) => {
    const button = make("button", { type: "button", className: "by" }, ...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const [known, blank] = [[], []];
      for (const row of rows) (row.cells[column].textContent.trim() ? known : blank).push(row);
      known.sort((a, b) => (down ? -1 : 1) * compare(a.cells[column], b.cells[column]));
      body.append(...known, ...blank);
    });
  });
  const told = make("span", { className: "told" });
  told.setAttribute("role", "status");
  const words = make("input", { type: "search", autocomplete: "off", spellcheck: false });
  const fates = [...new Set(rows.map((row) => row.className))];
  const fate = make("select", {}, make("option", { value: "" }, "any"), ...fates.map((f) => make("option", { value: f }, f)));
  const sift = () => {
    const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of rows) {
      const text = row.textContent.toLowerCase();
      row.hidden = !wanted.every((word) => text.includes(word)) || (fate.value !== "" && row.className !== fate.value);
      shown += row.hidden ? 0 : 1;
    }
    told.textContent = `${shown} of ${rows.length} rows`;
  };
  words.addEventListener("input", sift);
  fate.addEventListener("change", sift);
  sift();
  const label = (text, control) => make("label", {}, text + " ", control);
  const line = make("p", { className: "sift" }, label("Rows that contain", words), label("with the fate", fate), told);
  table.closest(".scroll").before(line);
}

function serveFigure(figure, index) {
  // Said once, below the first figure.
  const hint = index ? "" : "Point at a figure to read its values, or step through them with the arrow keys.";
  const marks = figure.querySelector(".marks");
  if (!marks) return;
  const places = [...marks.querySelectorAll("circle")];
  const said = places.map((place) => place.textContent);
  // One reader is enough: the browser's own would cover it.
  places.forEach((place) => place.replaceChildren());
  const reader = make("p", { className: "reader", tabIndex: 0 });
  reader.setAttribute("role", "slider");
  reader.setAttribute("aria-label", `Values of the figure: ${figure.querySelector("h4").textContent}`);
  reader.setAttribute("aria-valuemin", "1");
  reader.setAttribute("aria-valuemax", String(places.length));
  let now = 0;
  const read = (index, show) => {
    places[now].classList.remove("on");
    now = Math.max(0, Math.min(places.length - 1, index));
    places[now].classList.toggle("on", show);
    reader.setAttribute("aria-valuenow", String(now + 1));
    reader.setAttribute("aria-valuetext", said[now]);
    reader.textContent = show ? said[now] : hint;
  };
  const steps = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, Home: -1e6, End: 1e6 };
  reader.addEventListener("keydown", (event) => {
    if (!(event.key in steps)) return;
    event.preventDefault();
    read(now + steps[event.key], true);
  });
  reader.addEventListener("focus", () => read(now, true));
  reader.addEventListener("blur", () => read(now, false));
  const nearest = (event) => {
    const box = marks.getBoundingClientRect();
    const scale = marks.viewBox.baseVal.width / box.width;
    const [x, y] = [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale];
    const far = places.map((place) => Math.hypot(place.cx.baseVal.value - x, place.cy.baseVal.value - y));
    read(far.indexOf(Math.min(...far)), true);
  };
  marks.addEventListener("pointermove", nearest);
  marks.addEventListener("pointerdown", nearest);
  marks.parentElement.after(reader);
  read(0, false);
}

document.querySelectorAll("table.files").forEach(serveTable);
document.querySelectorAll("figure").forEach(serveFigure);
// A folded table would be missing on paper where a browser does not know how to unfold it by style.
window.addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((d) => d.setAttribute("open", "")));
