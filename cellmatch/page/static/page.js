// What the page does by itself, besides htmx. Nothing here decides anything: the server judges every change.
"use strict";

const by = (selector, root = document) => root.querySelector(selector);
const all = (selector, root = document) => [...root.querySelectorAll(selector)];
const say = (words) => { by("#said").textContent = words; };

// a limit is one number with two handles: a box and a slider
document.addEventListener("input", (event) => {
  const { sliderFor, numberFor } = event.target.dataset ?? {};
  if (sliderFor) {
    const box = by(`[data-number-for="${sliderFor}"]`);
    box.value = event.target.value === event.target.dataset.default ? "" : event.target.value;
  } else if (numberFor) {
    const slider = by(`[data-slider-for="${numberFor}"]`);
    slider.value = event.target.value.replace(",", ".") || slider.dataset.default || slider.max;
  }
}, true);

// files can be dropped anywhere on their field
const tooLarge = (form) => {
  const sum = [...by("input[type=file]", form).files].reduce((bytes, file) => bytes + file.size, 0);
  if (sum <= Number(form.dataset.mostBytes)) return false;
  say(`✗ ${(sum / 1e6).toFixed(0)} MB are too much at once: at most ${Number(form.dataset.mostBytes) / 1e6} MB are taken. A log goes to the command line.`);
  return true;
};
for (const form of all("form.drop")) {
  const over = (on) => (event) => { event.preventDefault(); form.classList.toggle("over", on); };
  form.addEventListener("dragover", over(true));
  form.addEventListener("dragleave", over(false));
  form.addEventListener("drop", (event) => {
    over(false)(event);
    if (!event.dataTransfer.files.length) return;
    by("input[type=file]", form).files = event.dataTransfer.files;
    form.requestSubmit();
  });
  form.addEventListener("submit", (event) => { if (tooLarge(form)) event.preventDefault(); });
}

// fields that only some holders need
const shape = by("#shape");
const showFields = () => all("[data-only-for]").forEach((part) => {
  part.hidden = !part.dataset.onlyFor.split(" ").includes(shape.value);
});
if (shape) { shape.addEventListener("change", showFields); showFields(); }

// a worked-out pack is taken over into the form above
document.addEventListener("click", (event) => {
  const { series, parallel } = event.target.dataset ?? {};
  if (!series) return;
  by("#series").value = series;
  by("#parallel").value = parallel;
  by("#job-form").scrollIntoView();
  by("#series").focus();
  by("#series").dispatchEvent(new Event("change", { bubbles: true })); // kept, as if it had been typed
});

document.addEventListener("htmx:error", () => say("✗ The server doesn't answer. If it was ended, start it again: everything up to the last step is kept."));
document.addEventListener("htmx:response:error", (event) => {
  if (event.detail.ctx.response.status === 403) say("✗ This page belongs to an earlier start of the server: open the address that the terminal shows now.");
});

// two cells change places: touch and touch, drag, or the keyboard. The server says what came of it.
const board = by("#board");
if (board) {
  let picked = null, dragged = null, focusAfter = null;
  const cells = () => all("[data-cell]", board);
  const cellAt = (target) => target.closest?.("#board [data-cell]");
  const idOf = (element) => element?.dataset.cell;
  const values = (extra) => ({ ...Object.fromEntries(new FormData(by("#tools"))), ...extra });

  const pick = (id) => {
    picked = id;
    board.classList.toggle("picking", id !== null);
    for (const cell of cells()) {
      cell.classList.toggle("picked", idOf(cell) === id);
      cell.setAttribute("aria-pressed", String(idOf(cell) === id));
    }
  };
  const tell = (id) => htmx.ajax("GET", `${board.dataset.cell}?id=${encodeURIComponent(id)}`, { target: "#cell" });
  const swap = (a, b) => {
    pick(null);
    focusAfter = [b, by(":focus")?.closest("svg")?.getAttribute("aria-label")];
    htmx.ajax("POST", board.dataset.swap, { target: "#board", values: values({ a, b }) });
  };
  const choose = (id) => {
    if (picked === null) { pick(id); tell(id); say(`${id} is picked up: choose the cell it changes places with; the same again, or Esc, lets go.`); }
    else if (picked === id) { pick(null); say(`${id} is put back.`); }
    else swap(picked, id);
  };

  board.addEventListener("click", (event) => { const cell = cellAt(event.target); if (cell && !event.target.closest("form")) choose(idOf(cell)); });
  board.addEventListener("focusin", (event) => {
    const cell = event.target.closest?.("svg [data-cell]");
    if (!cell) return;
    for (const other of all("[data-cell]", cell.closest("svg"))) other.setAttribute("tabindex", other === cell ? "0" : "-1");
  });
  board.addEventListener("keydown", (event) => {
    const cell = event.target.closest?.("svg [data-cell]");
    if (event.key === "Escape" && picked !== null) { pick(null); say("Let go."); return; }
    if (!cell) return;
    if (event.key === "Enter" || event.key === " ") { event.preventDefault(); choose(idOf(cell)); return; }
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way) return;
    event.preventDefault();
    const centre = (element) => { const box = by("circle", element).getBoundingClientRect(); return [box.x + box.width / 2, box.y + box.height / 2]; };
    const [x, y] = centre(cell);
    let best = null, least = Infinity;
    for (const other of all("[data-cell]", cell.closest("svg"))) {
      const [ox, oy] = centre(other);
      const along = (ox - x) * way[0] + (oy - y) * way[1], aside = Math.abs((ox - x) * way[1] + (oy - y) * way[0]);
      if (along > 1 && along + 3 * aside < least) { least = along + 3 * aside; best = other; }
    }
    best?.focus();
  });

  // dragging is for the mouse and the pen; a finger on the map scrolls, and touches
  board.addEventListener("pointerdown", (event) => {
    const cell = cellAt(event.target);
    dragged = cell && event.pointerType !== "touch" && event.button === 0 ? idOf(cell) : null;
  });
  board.addEventListener("pointermove", (event) => {
    if (dragged === null) return;
    const over = cellAt(document.elementFromPoint(event.clientX, event.clientY) ?? board);
    for (const cell of cells()) cell.classList.toggle("over", cell === over && idOf(cell) !== dragged);
  });
  document.addEventListener("pointerup", (event) => {
    const from = dragged, over = cellAt(document.elementFromPoint(event.clientX, event.clientY) ?? document.body);
    dragged = null;
    for (const cell of cells()) cell.classList.remove("over");
    if (from !== null && over && idOf(over) !== from) swap(from, idOf(over));
  });

  document.addEventListener("htmx:after:swap", (event) => {
    if (event.detail.ctx?.target !== board) return;
    if (picked !== null && !by(`#board [data-cell].picked`)) picked = null;
    if (!focusAfter) return;
    const [id, face] = focusAfter;
    focusAfter = null;
    const again = cells().find((cell) => idOf(cell) === id && (!face || cell.closest("svg")?.getAttribute("aria-label") === face));
    if (again) { again.focus({ preventScroll: true }); tell(id); }
    say("");
  });
}

// a reason that is being written stays open while the verdicts round it are drawn again
let reasonFor = null, reasonText = "";
document.addEventListener("htmx:before:swap", () => {
  const open = by("details.anyway[open]");
  reasonFor = open?.dataset.anyway ?? null;
  reasonText = open ? by("input[name=reason]", open).value : "";
});
document.addEventListener("htmx:after:swap", () => {
  const again = reasonFor === null ? null : all("details.anyway").find((part) => part.dataset.anyway === reasonFor);
  if (!again || again.open) return;
  again.open = true;
  by("input[name=reason]", again).value = reasonText;
});

// a reading that was typed makes room for the next one
let focused = null;
document.addEventListener("htmx:before:swap", () => { focused = document.activeElement?.id || null; });
document.addEventListener("htmx:after:swap", () => {
  if (!focused || document.activeElement !== document.body) return;
  const again = document.getElementById(focused);
  const row = again?.closest(".reading");
  const next = row && all(".reading input[name=value]").find((box) => !box.value && row.compareDocumentPosition(box) & Node.DOCUMENT_POSITION_FOLLOWING);
  (again?.value && next ? next : again)?.focus();
});
