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
  say(`${series}s${parallel}p is taken over into the form: keep it with the button below it.`);
});

document.addEventListener("htmx:error", () => say("✗ The server doesn't answer. If it was ended, start it again: everything up to the last step is kept."));
document.addEventListener("htmx:response:error", (event) => {
  if (event.detail.ctx.response.status === 403) say("✗ This page belongs to an earlier start of the server: open the address that the terminal shows now.");
});
