// One chip large, with its histogram and its times.

import { byID, colour, fit, h, seen, select, setOptions, text } from "./dom.mjs";
import { age, best, clipping, die, pictureOptions, pictures, render, stale } from "./frames.mjs";
import { pixelAt } from "./lattice.mjs";
import { falls, reading, trimOf } from "./reading.mjs";
import { highest, histogram } from "./range.mjs";
import { ageText } from "./stats.mjs";
import { clock, duration, num, volts, windowText, words } from "./units.mjs";

const BINS = 128;
let app, name = "", view = "", marked = true;
let pointed, cursor, readingLine; // the pixel that is read: row and column of the frame
let canvas, hist, facts, viewBox, note, scale, visible, keep = {}, shown, last = 0;

export function start(a) {
  app = a;
  const mark = h("label", {}, h("input", { type: "checkbox", id: "mark-clipped", checked: true, onchange: (e) => {
    marked = e.target.checked;
    shown = undefined;
    last = 0;
  } }), " mark clipped pixels");
  viewBox = select("View", [["", "largest"]], "", (v) => {
    view = v;
    keep = {};
    shown = undefined;
  });
  byID("chip-tools").append(viewBox.node, mark);
  readingLine = h("p", { class: "small reading", id: "chip-reading", role: "status" });
  canvas = h("canvas", { id: "chip-canvas", width: 8, height: 8, role: "img" });
  hist = h("canvas", { id: "chip-hist", role: "img" });
  facts = h("dl", { class: "facts", id: "chip-facts" });
  note = h("p", { class: "note", id: "chip-note", hidden: true });
  const health = h("p", { class: "small", id: "chip-health" });
  scale = h("p", { class: "scale", id: "chip-scale" });
  byID("chip-body").append(large(), scale, readingLine, health, note, hist, facts);
  visible = seen(byID("chip"), () => draw(performance.now()));
  app.hub.on("chip", ({ name: to, quiet }) => {
    name = to;
    view = "";
    keep = {};
    shown = undefined;
    pointed = undefined;
    tellReading();
    text(byID("chip-h"), `Chip ${name}`);
    if (!quiet) {
      byID("chip").scrollIntoView({ block: "nearest" });
    }
  });
  app.hub.on("draw", draw);
  app.hub.on("theme", () => (shown = undefined));
  app.hub.on("range", () => {
    keep = {};
    shown = undefined;
  });
}

function draw(now) {
  if (!visible.visible) return;
  const views = pictures(name);
  const keys = [["", "largest"], ...[...views.keys()].map((k) => [k, k])];
  if (keys.length !== viewBox.box.options.length) setOptions(viewBox.box, keys, views.has(view) ? view : "");
  const p = views.get(view) ?? best(views, now);
  if (!p) {
    if (shown !== null) empty();
    return;
  }
  stamp(p, now);
  if (p === shown) return;
  shown = p;
  const high = parse(colour("high")), low = parse(colour("low"));
  const { range } = render(canvas, p, keep, marked && !p.set.failure && [low, high]); // what was not read is not clipped
  canvas.parentElement.dataset.clips = clipping(p);
  canvas.dataset.job = `${p.set.task}/${num(p.set.job)}/${p.frame.view}`;
  tellReading();
  if (now - last < 150) return; // numbers that nobody could read
  last = now;
  canvas.setAttribute("aria-label", `${name}: ${p.frame.rows} rows by ${p.frame.columns} columns, codes ${Math.round(range[0])} black to ${Math.round(range[1])} white`);
  drawHist(p, range);
  showScale(p, range);
  showFacts(p, range);
}

// large is the large picture: the pixel under the pointer, or where the arrow keys have gone, is read.
function large() {
  cursor = h("span", { class: "at", hidden: true });
  const box = die(canvas);
  box.append(cursor);
  return h("div", {
    class: "large", id: "chip-large", tabindex: "0", role: "group", "aria-describedby": "chip-reading",
    "aria-label": "The chip, large. Arrow keys move from pixel to pixel and read them.",
    onpointermove: (e) => {
      const at = canvas.getBoundingClientRect();
      point(shown && pixelAt(shown.frame, keep.lay, (e.clientX - at.left) / at.width, (e.clientY - at.top) / at.height));
    },
    onpointerleave: () => point(undefined), onkeydown: step,
  }, box, h("p", { class: "stamp", id: "chip-stamp" }));
}

function step(e) {
  const [down, right] = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] }[e.key] ?? [];
  if (down === undefined || !shown) return;
  e.preventDefault();
  const { rows, columns } = shown.frame, from = pointed ?? { row: rows >> 1, column: columns >> 1 };
  const within = (v, n) => Math.max(0, Math.min(n - 1, v));
  point({ row: within(from.row + down, rows), column: within(from.column + right, columns) });
}

function point(at) {
  pointed = at;
  tellReading();
}

// tellReading says what the pixel that is pointed at has, and marks it.
function tellReading() {
  const p = shown;
  cursor.hidden = !(p && pointed && pointed.row < p.frame.rows && pointed.column < p.frame.columns);
  if (cursor.hidden) {
    text(readingLine, "");
    return;
  }
  const f = p.frame, cls = app.classes.get(app.chips.get(f.chip)?.class);
  const trim = trimOf(f, (app.plan?.tasks ?? []).find((t) => t.name === p.set.task));
  const got = reading(f, p.codes, pointed.row, pointed.column, cls, trim);
  const light = got.clipped ? "clipped, light not known" :
    Number.isFinite(got.lux) ? `about ${got.lux.toPrecision(3)} lux by its class's response` : "light not known";
  const time = Date.parse(f.first_sample_time) + got.lightNS / 1e6;
  text(readingLine, `${got.resampled ? `Row ${pointed.row}, column ${pointed.column} of the resampled picture` :
    `Row ${got.chipRow}, column ${got.chipColumn} of the chip`}: code ${got.code}, ${volts(got.volts)}, ${light}. ` +
    `Light of ${clock(time)} ± ${duration(f.time_uncertainty_ns)}, sampled ${duration(got.sampledNS - got.lightNS)} later.`);
  // On the picture, in fractions of it.
  const row = keep.lay.index ? 1 / (f.rows + 1 / 3) : 1 / f.rows, odd = ((f.window?.row ?? 0) + pointed.row * (f.window?.row_step || 1)) & 1;
  const across = keep.lay.index ? f.columns + 0.5 : f.columns, st = canvas.style, of = (key) => parseFloat(st[key]) / 100;
  const at = { left: (pointed.column + (keep.lay.index ? odd / 2 : 0)) / across, top: (pointed.row + (keep.lay.index ? 1 / 6 : 0)) * row, width: 1 / across, height: row };
  for (const [key, base, size] of [["left", "left", "width"], ["top", "top", "height"], ["width", "", "width"], ["height", "", "height"]]) {
    cursor.style[key] = `${100 * ((base ? of(base) : 0) + at[key] * of(size))}%`;
  }
}

// showScale is the legend of the picture: which code and volts are black and white, which way light goes, and what the
// colours of clipped pixels mean.
function showScale(p, range) {
  const f = p.frame, cls = app.classes.get(app.chips.get(f.chip)?.class), down = falls(cls);
  const at = (c) => `${Math.round(c)} (${volts(num(f.code_zero_volts) + c * num(f.volts_per_code))})`;
  const ends = pictureOptions.white === "light" && down ? [range[1], range[0]] : range;
  const low = num(f.clipped_low), high = num(f.clipped_high), all = Math.max(1, p.codes.length);
  const mark = (kind, n, what) => n > 0 && marked && !p.set.failure && h("span", { class: "clips", title: "clipped: the light may be any beyond", data: { clip: kind } }, `${((100 * n) / all).toPrecision(3)} % ${what}`);
  const now = [at(ends[0]), at(ends[1]), down, low, high, marked].join();
  if (scale.dataset.now === now) return;
  scale.dataset.now = now;
  scale.replaceChildren(...[h("span", {}, `code ${at(ends[0])}`), h("span", { class: "ramp", role: "img", "aria-label": "from black to white" }), h("span", {}, at(ends[1])),
    h("span", { class: "muted" }, `more light, ${down ? "lower" : "higher"} code`),
    mark("low", low, "at the lowest code"), mark("high", high, "at the highest code")].filter(Boolean));
}

const parse = (c) => c.match(/\d+(\.\d+)?/g).slice(0, 3).map(Number);

function empty() {
  shown = null;
  canvas.width = canvas.height = 1;
  tellReading();
  text(byID("chip-stamp"), name ? "No frame yet: no task reads this chip." : "Choose a chip.");
  byID("chip-large").dataset.state = "none";
  facts.replaceChildren();
  scale.replaceChildren();
  delete scale.dataset.now;
  fit(hist);
}

function stamp(p, now) {
  const old = stale(p, now), node = byID("chip-large");
  node.dataset.state = old ? "stale" : "fresh";
  text(byID("chip-stamp"), old ? `STALE: ${ageText(age(p, now))} old. Do not act on it.` : `${ageText(age(p, now))} old`);
}

function drawHist(p, range) {
  const { c, w, h: tall } = fit(hist);
  const counts = histogram(p.codes, p.bits, BINS), most = Math.max(1, ...counts), top = highest(p.bits);
  const base = tall - 16, step = w / BINS;
  c.fillStyle = colour("sunken");
  c.fillRect(0, 0, w, base);
  const x = (code) => (code / (top + 1)) * w;
  c.fillStyle = colour("line");
  c.fillRect(x(range[0]), 0, Math.max(1, x(range[1]) - x(range[0])), base);
  c.fillStyle = colour("accent");
  counts.forEach((n, i) => {
    const hgt = n === 0 ? 0 : Math.max(1, Math.sqrt(n / most) * (base - 4));
    c.fillRect(i * step, base - hgt, Math.max(1, step - 0.5), hgt);
  });
  const clipped = (n, at, name) => {
    if (!n) return;
    c.fillStyle = colour(name);
    c.fillRect(at, 0, 4, base);
  };
  clipped(num(p.frame.clipped_low), 0, "low");
  clipped(num(p.frame.clipped_high), w - 4, "high");
  c.fillStyle = colour("muted");
  c.font = "11px system-ui, sans-serif";
  c.textBaseline = "bottom";
  c.textAlign = "left";
  c.fillText("0", 0, tall);
  c.textAlign = "center";
  c.fillText("codes; height: √ of the count; band: shown", w / 2, tall);
  c.textAlign = "right";
  c.fillText(String(top), w, tall);
  hist.setAttribute("aria-label", `Histogram of ${p.codes.length} codes from 0 to ${top}; ${num(p.frame.clipped_low)} at the lowest, ${num(p.frame.clipped_high)} at the highest`);
}

function showFacts(p, range) {
  const f = p.frame, set = p.set;
  const codeVolts = (c) => num(f.code_zero_volts) + c * num(f.volts_per_code);
  const rows = [
    ["Task, view", `${set.task} / ${f.view}, job ${num(set.job)}`],
    ["Read", windowText(f.window)],
    ["Pixels", `${f.rows} × ${f.columns}, ${f.significant_bits} bits, ${f.arrangement === "ARRANGEMENT_HEXAGONAL" ? "hexagonal" : "square"}`],
    ["Range shown", `codes ${Math.round(range[0])} to ${Math.round(range[1])}, ${volts(codeVolts(range[0]))} to ${volts(codeVolts(range[1]))}`],
    ["Clipped", `${num(f.clipped_low)} low, ${num(f.clipped_high)} high`],
    ["First sample", `${clock(f.first_sample_time)} ± ${duration(f.time_uncertainty_ns)}`],
    ["Light taken", `${duration(num(f.first_sample_bus_ns) - num(f.light_bus_ns))} before it`],
    ["Hold", num(f.hold_ns) ? duration(f.hold_ns) : "none"],
    ["Readout", duration(num(f.last_converted_bus_ns) - num(f.first_sample_bus_ns))],
    ["Skew of the set", duration(set.skew_ns)],
    ["Deadline", `${set.late ? "missed by" : "met with"} ${duration(Math.abs(num(set.deadline_bus_ns) - num(set.finish_bus_ns)))}`],
    ["Codes", (f.corrections ?? []).length ? f.corrections.map((c) => words(c, "CORRECTION_")).join(", ") + (f.correction_map_id ? `, map ${f.correction_map_id}` : "") : "raw"],
  ];
  if (facts.children.length !== rows.length) {
    facts.replaceChildren(...rows.map(([k]) => h("div", {}, h("dt", {}, k), h("dd", { data: { fact: k } }))));
  }
  rows.forEach(([, v], i) => text(facts.children[i].lastChild, v));
  const said = [f.correction_note, set.failure && `The job failed: ${set.failure}`].filter(Boolean).join(" ");
  note.hidden = said === "";
  text(note, said);
}
