"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const store = "cellmatch bench " + data.plan;
  const STALE_H = 24;
  const byId = (id) => document.getElementById(id);
  const now = () => new Date().toISOString().slice(0, 19) + "Z";
  const ageH = (at) => (Date.now() - Date.parse(at)) / 3.6e6;
  const blank = () => ({ plan: data.plan, at: 1, readings: {}, ticks: {}, reasons: {}, done: {} });
  let state = blank();
  let keeps = true;

  // one number, with a decimal point or a decimal comma; anything else is no reading
  function parse(text) {
    const plain = text.trim().replace(/^[\u2212\u2013]/, "-").replace(/\s*V$/i, "");
    return /^[+-]?(\d+([.,]\d*)?|[.,]\d+)$/.test(plain) ? Number(plain.replace(",", ".")) : NaN;
  }

  // where each cell is read, so that a group can be judged by the latest reading of each of its cells
  const cellReadings = {};
  for (const s of data.steps) {
    s.readings.forEach((e, i) => { if (e.kind === "cell_v") (cellReadings[e.target] ||= []).push([s.number, s.number + "-" + i]); });
  }
  function latest(cell, upTo) {
    const read = (cellReadings[cell] || []).filter(([n, key]) => n <= upTo && state.readings[key]);
    return read.length ? state.readings[read[read.length - 1][1]] : null;
  }

  // value and time of a reading; of a group's spread, the time of its oldest cell
  function readingOf(step, i) {
    const e = step.readings[i];
    if (e.kind !== "spread_v") return state.readings[step.number + "-" + i] || null;
    const cells = e.cells.map((cell) => latest(cell, step.number));
    if (cells.includes(null)) return null;
    const volts = cells.map((c) => c.v);
    return { v: Math.max(...volts) - Math.min(...volts), at: cells.map((c) => c.at).sort()[0] };
  }

  // what a reading is worth: passes, and in words what to do
  function judge(step, i) {
    const e = step.readings[i], key = step.number + "-" + i, kept = readingOf(step, i);
    const reason = (state.reasons[key] || "").trim();
    const stuck = "only a new reading or a new plan opens this step";
    if (kept === null) {
      if (e.opens && reason) return { passes: true, how: "opened", words: "not read; reason written" };
      const words = e.kind === "spread_v" ? "needs a reading of every cell" : "reading missing";
      return { passes: false, how: "missing", ask: e.opens, words };
    }
    const v = kept.v;
    if (!state.done[step.number] && ageH(kept.at) > STALE_H) {
      return { passes: false, how: "missing", words: "older than " + STALE_H + " h: read again" };
    }
    if (v >= e.low - 1e-9 && v <= e.high + 1e-9) return { passes: true, how: "inside", words: "✓ inside" };
    const by = (v > e.high ? v - e.high : e.low - v).toFixed(3) + " V " + (v > e.high ? "above" : "below") + " the window";
    const [low, high] = e.hard;
    if (low !== null && v < low && e.low > 0 && v < 0) return { passes: false, how: "stop", words: "✗ Stop: wrong sign; " + stuck };
    if ((low !== null && v < low) || (high !== null && v > high) || !e.opens) {
      return { passes: false, how: "stop", words: "✗ Stop: " + by + "; " + stuck };
    }
    if (reason) return { passes: true, how: "opened", words: by + "; reason written" };
    return { passes: false, how: "outside", ask: true, words: "✗ " + by + ": read again, or write a reason" };
  }

  function locks(step) {
    const out = [];
    const bad = step.readings.map((_, i) => judge(step, i)).filter((j) => !j.passes);
    const stop = bad.filter((j) => j.how === "stop").length, missing = bad.filter((j) => j.how === "missing").length;
    const outside = bad.length - stop - missing;
    if (stop) out.push("stop: " + stop + (stop > 1 ? " readings" : " reading"));
    if (outside) out.push(outside + " outside");
    if (missing) out.push(missing + " missing");
    let open = 0;
    for (let k = 0; k < step.ticks; k++) if (!state.ticks["d" + step.number + "-" + k]) open++;
    if (open) out.push(open + " not ticked");
    if (step.cover && !state.ticks["c" + step.number]) out.push("not covered");
    return out;
  }

  const doneWords = (n) => "Done " + state.done[n].replace("T", " ").replace(/:\d\dZ$/, " UTC");
  const beforeHolds = (step) => step.readings.every((e, i) => !e.before || judge(step, i).passes);
  // how far one may go: up to the first step that is not done and whole
  function frontier() {
    const open = data.steps.find((s) => !state.done[s.number] || locks(s).length);
    return open ? open.number : data.steps.length + 1;
  }

  function showReading(step, i) {
    const key = step.number + "-" + i, judged = judge(step, i), row = byId("r" + key);
    row.dataset.how = judged.how;
    byId("o" + key).textContent = judged.words;
    const kept = readingOf(step, i), box = byId("i" + key), reason = row.querySelector(".reason");
    if (box.tagName === "OUTPUT") box.textContent = kept ? kept.v.toFixed(3) : "–";
    if (reason) {
      reason.hidden = !(judged.ask || judged.how === "opened");
      // a reading outside asks for its reason at once; a missing one only where somebody looks for it
      if (judged.how === "outside" || judged.how === "opened") reason.open = true;
    }
  }

  function show(scroll) {
    const last = frontier();
    state.at = Math.min(Math.max(state.at, 1), last);
    for (const s of data.steps) byId("step" + s.number).classList.toggle("here", s.number === state.at);
    const finished = state.at > data.steps.length;
    byId("finished").hidden = !finished;
    byId("finished").classList.toggle("here", finished);
    const verdict = byId("plan-verdict");
    if (verdict) verdict.hidden = state.at > 1;
    byId("where").textContent = finished ? "done" : "step " + state.at + " of " + data.steps.length;
    byId("back").disabled = state.at <= 1;
    const step = data.steps[state.at - 1];
    const placed = new Set(step ? step.places.map(String) : []);
    for (const dot of document.querySelectorAll(".overview circle")) dot.classList.toggle("here", placed.has(dot.dataset.place));
    if (step) refresh(step);
    byId("next").hidden = finished;
    if (finished) byId("lock").textContent = "";
    if (scroll) {
      window.scrollTo(0, 0);
      document.querySelector(".step.here h2").focus({ preventScroll: true });
    }
  }

  function refresh(step) {
    const last = frontier();
    for (const b of document.querySelectorAll(".contents button")) {
      const n = Number(b.dataset.step);
      b.disabled = n > last;
      b.classList.toggle("is-done", n < last);
    }
    step.readings.forEach((_, i) => showReading(step, i));
    const gate = step.gated && !beforeHolds(step);
    for (let k = 0; k < step.ticks; k++) byId("d" + step.number + "-" + k).disabled = gate;
    byId("step" + step.number).classList.toggle("gated", gate);
    const why = locks(step);
    byId("next").disabled = why.length > 0;
    byId("next").textContent = state.done[step.number] && !why.length ? "Next" : "Done, next";
    byId("lock").textContent = why.length ? "Locked: " + why.slice(0, 2).join(", ") + (why.length > 2 ? " …" : "") : "";
    const at = byId("f" + step.number);
    at.hidden = !state.done[step.number];
    at.textContent = state.done[step.number] ? doneWords(step.number) : "";
  }

  function keep() {
    state.saved = now();
    try {
      localStorage.setItem(store, JSON.stringify(state));
    } catch {
      if (keeps) notice("This device keeps nothing: save progress to a file before you close this page.");
      keeps = false;
    }
  }

  function notice(words) {
    byId("notice").textContent = words;
    byId("notice").hidden = !words;
  }

  function fill() {
    for (const s of data.steps) {
      s.readings.forEach((e, i) => {
        const key = s.number + "-" + i, kept = state.readings[key], box = byId("i" + key);
        if (box.tagName === "INPUT") box.value = kept ? String(kept.v) : "";
        if (e.opens) byId("q" + key).value = state.reasons[key] || "";
        showReading(s, i);
      });
      for (let k = 0; k < s.ticks; k++) byId("d" + s.number + "-" + k).checked = Boolean(state.ticks["d" + s.number + "-" + k]);
      if (s.cover) byId("c" + s.number).checked = Boolean(state.ticks["c" + s.number]);
      byId("f" + s.number).textContent = state.done[s.number] ? doneWords(s.number) : "";
      byId("f" + s.number).hidden = !state.done[s.number];
    }
  }

  function take(loaded) {
    if (!loaded || loaded.plan !== data.plan) return false;
    state = Object.assign(blank(), loaded);
    return true;
  }

  function typed(s, i, box) {
    const key = s.number + "-" + i, text = box.value.trim(), v = parse(text);
    delete state.readings[key];
    if (text && Number.isFinite(v)) state.readings[key] = { v, at: now() };
    keep();
    refresh(s);
    if (text && !Number.isFinite(v)) byId("o" + key).textContent = "✗ not a number: write like 3.61 or 3,61";
  }

  function listen() {
    for (const s of data.steps) {
      s.readings.forEach((e, i) => {
        const key = s.number + "-" + i, box = byId("i" + key);
        if (box.tagName === "INPUT") {
          box.addEventListener("input", () => typed(s, i, box));
          box.addEventListener("change", () => {
            const kept = state.readings[key];
            if (kept) box.value = String(kept.v);
          });
        }
        if (e.opens) {
          byId("q" + key).addEventListener("input", (event) => {
            state.reasons[key] = event.target.value;
            keep();
            refresh(s);
          });
        }
      });
      for (const id of [...Array(s.ticks).keys()].map((k) => "d" + s.number + "-" + k).concat(s.cover ? ["c" + s.number] : [])) {
        byId(id).addEventListener("change", (event) => {
          if (event.target.checked) state.ticks[id] = now();
          else delete state.ticks[id];
          keep();
          refresh(s);
        });
      }
    }
    byId("back").addEventListener("click", () => { state.at -= 1; keep(); show(true); });
    byId("next").addEventListener("click", () => {
      const step = data.steps[state.at - 1];
      if (locks(step).length) return;
      state.done[step.number] = state.done[step.number] || now();
      state.at += 1;
      notice("");
      keep();
      show(true);
    });
    document.querySelector(".contents").addEventListener("click", (event) => {
      if (event.target.dataset.step) { state.at = Number(event.target.dataset.step); keep(); show(true); }
    });
    byId("save-readings").addEventListener("click", () => download("readings " + data.name + ".csv", "text/csv", readingsCsv()));
    byId("save-progress").addEventListener("click", () => download("progress " + data.name + ".json", "application/json", JSON.stringify(state)));
    byId("load-progress").addEventListener("change", (event) => load(event.target));
    byId("print-blank").addEventListener("click", () => printAs("blank"));
    byId("print-built").addEventListener("click", () => printAs("built"));
    byId("start-over").addEventListener("click", () => {
      if (!window.confirm("Forget all ticks and readings on this device?")) return;
      state = blank();
      keep();
      fill();
      show(true);
    });
  }

  const field = (text) => (/[",\r\n]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text);
  function readingsCsv() {
    const lines = [data.header];
    for (const s of data.steps) {
      s.readings.forEach((e, i) => {
        const key = s.number + "-" + i, kept = state.readings[key];
        // a reason counts only where it opens the step; it goes into the record with the reading, or in its place
        const reason = judge(s, i).how === "opened" ? state.reasons[key].trim() : "";
        if (kept || reason) {
          lines.push([e.kind, field(e.target), kept ? kept.v : "", "V", "", kept ? kept.at : "", s.number, field(reason)].join(","));
        }
      });
    }
    return lines.join("\r\n") + "\r\n";
  }

  function download(name, type, text) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: type + ";charset=utf-8" }));
    link.download = name;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }

  async function load(input) {
    let ok = false;
    try { ok = take(JSON.parse(await input.files[0].text())); } catch { ok = false; }
    notice(ok ? "Progress loaded." : "This file is no progress of this plan; nothing was changed.");
    input.value = "";
    if (ok) { keep(); fill(); show(true); }
  }

  function printAs(how) {
    document.body.dataset.print = how;
    window.print();
    delete document.body.dataset.print;
  }

  try { take(JSON.parse(localStorage.getItem(store))); } catch { keeps = false; }
  if (!keeps) notice("This device keeps nothing: save progress to a file before you close this page.");
  const saved = state.saved;
  if (saved && ageH(saved) > STALE_H) notice("More than " + STALE_H + " h since the last entry: read again what this step compares, and go back where cells were read.");
  document.body.classList.add("live");
  fill();
  listen();
  show(false);
})();
