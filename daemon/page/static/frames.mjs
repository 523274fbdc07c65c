// The frames of all chips, laid out by where they look.

import { call } from "./api.mjs";
import { byID, colour, h, seen, select, setOptions, text } from "./dom.mjs";
import { arrange, grid, grouped, neighbour, ordered, stacked } from "./layout.mjs";
import { lattice, paint } from "./lattice.mjs";
import { decode, grey, shown, steady } from "./range.mjs";
import { falls } from "./reading.mjs";
import { Feed } from "./link.mjs";
import * as panorama from "./panorama.mjs";
import { LeftOut, Pace, Progress, Silence } from "./sets.mjs";
import { ageText, isStale, median, Meter } from "./stats.mjs";
import { turns } from "./turns.mjs";
import { num } from "./units.mjs";

const MAX_RATE_HZ = 16; // not quite that of tasks of 15 Hz, so that no beat hides their sets for long
const WAIT_MS = 1000; // that the daemon may take to say that there is nothing new
const ANSWER_MS = WAIT_MS + 1500; // after which it counts as silent
const DRAW_MS = 30; // between two drawings, each of which costs the machine far more than what is drawn
const FORGET_VIEW_MS = 4000; // a view that is not seen any more gives its place to others

const options = { range: "auto", low: 0, high: 4095, codes: "CODES_RAW", task: "", white: "code", place: "chip", order: "direction", size: 1 };
const tiles = new Map(); // by chip
const drawn = new Meter(), received = new Meter();
let app, feed, layout, visible, lags = [], table = new Uint8Array(65536);
const progress = new Progress(), leftOut = new LeftOut(), silence = new Silence(ANSWER_MS);
let came, newest; // when the last frame set came, and that set
const byTask = new Map(); // what the frame sets told of each task: last slack, lost sets

// Picture is the newest frame of one view of one chip.
class Picture {
  constructor(frame, set, at) {
    Object.assign(this, { frame, set, at });
  }
  get codes() {
    return (this.decoded ??= decode(this.frame.data));
  }
  get bits() {
    return this.frame.significant_bits || 16;
  }
}

export const pictureOptions = options;
export const streamOf = (task) => byTask.get(task);

// pictures are the newest frames of a chip by task and view.
export const pictures = (chip) => tiles.get(chip)?.views ?? new Map();

export function start(a) {
  app = a;
  tools();
  app.hub.on("array", build);
  app.hub.on("plan", () => setOptions(taskBox.box, taskOptions()));
  app.hub.on("tick", ages);
  app.hub.on("health", showWorst);
  app.hub.on("theme", () => tiles.forEach((t) => (t.dirty = true)));
  app.hub.on("live", anew); // at first, when connected again, and when shown again
  feed = new Feed(app.link, app.hub, answers, onAnswer, (e) => {
    if (options.task && e.code === "not_found") {
      options.task = "";
      setOptions(taskBox.box, taskOptions(), "");
    }
    if (e.code === "out_of_range") progress.forget(); // of a task that went back in time, as a replay does
  });
  app.hub.on("status", (st) => {
    if (!st.safe_stop && !feed.wanted) anew();
    feed.want(!st.safe_stop); // a stopped array has no answer
  });
  new ResizeObserver(place).observe(byID("tiles"));
  window.addEventListener("resize", place);
  const node = byID("tiles");
  visible = seen(byID("frames"));
  panorama.start(app, node, pick);
  requestAnimationFrame(draw);
  node.append(h("p", { class: "empty" }, "Waiting for the array…"));
}

function anew() {
  silence.start(performance.now());
  came = newest = undefined;
}

// answers asks for the newest frame sets again and again. Nothing old can wait on the way: what ends
// between two questions is left out by the daemon, which says how many that were.
async function* answers(signal) {
  for (const pace = new Pace(1000 / MAX_RATE_HZ); ;) {
    await new Promise((r) => setTimeout(r, pace.wait(performance.now())));
    if (signal.aborted) return;
    const question = pace.asked(performance.now());
    const selection = { tasks: options.task ? [options.task] : [], codes: options.codes };
    const request = progress.request(selection, WAIT_MS);
    yield { question, answer: await call("FrameService", "WaitFrameSets", request, { signal, limitMs: ANSWER_MS + 5000 }) };
  }
}

let taskBox, fixedBoxes, orderBox;
function taskOptions() {
  return [["", "all"], ...(app.plan?.tasks ?? []).map((t) => [t.name, t.name])];
}

function tools() {
  const number = (key, label) => h("label", { class: "narrow" }, label + " ", h("input", {
    type: "number", min: "0", max: "65535", value: options[key], id: "range-" + key,
    oninput: (e) => {
      options[key] = num(e.target.value);
      redraw();
    },
  }), " codes");
  fixedBoxes = h("span", { class: "row", hidden: true }, number("low", "from"), number("high", "to"));
  const range = select("Range", [["auto", "auto"], ["full", "full scale"], ["fixed", "fixed"]], "auto", (v) => {
    options.range = v;
    fixedBoxes.hidden = v !== "fixed";
    redraw();
  });
  range.box.id = "range-mode";
  range.box.title = "auto: from the 1st to the 99th percentile of the codes of a picture";
  const codes = select("Codes", [["CODES_RAW", "raw"], ["CODES_CORRECTED", "corrected"], ["CODES_CORRECTED_SQUARE", "corrected, square"]], options.codes, (v) => {
    options.codes = v;
    feed.restart();
  });
  codes.box.id = "codes";
  taskBox = select("Task", [["", "all"]], "", (v) => {
    options.task = v;
    app.hub.emit("task", v);
    anew();
    feed.restart();
  });
  taskBox.box.id = "frames-task";
  const white = select("White is", [["code", "a high code"], ["light", "much light"]], options.white, (v) => {
    options.white = v;
    redraw();
  });
  white.box.id = "white";
  const where = select("Windows", [["chip", "in place"], ["fill", "enlarged"]], options.place, (v) => {
    options.place = v;
    redraw();
  });
  where.box.id = "window-place";
  const order = select("Chips", [["direction", "by direction"], ["grid", "rows and columns"], ["group", "by group"], ["lane", "by output lane"], ["axis", "by side"],
    ["sphere", "panorama, all around"], ["ahead", "panorama, looking ahead"]], options.order, (v) => {
    picked = v;
    reorder(v);
  });
  order.box.id = "chips-order";
  orderBox = order.box;
  const size = h("label", {}, "Size ", h("input", { type: "range", id: "chips-size", min: "0.5", max: "3", step: "0.1", value: "1", oninput: (e) => {
    options.size = num(e.target.value);
    place();
  } }));
  byID("frames-tools").append(order.node, size, taskBox.node, codes.node, range.node, fixedBoxes, white.node, where.node);
}

// reorder shows the chips in another order, or what they see as one picture.
function reorder(order) {
  options.order = orderBox.value = order;
  const whole = order === "sphere" || order === "ahead";
  byID("tiles").hidden = whole;
  panorama.show(whole ? order : "");
  if (whole) for (const t of tiles.values()) t.dirty = true;
  else place();
}

function redraw() {
  for (const t of tiles.values()) {
    t.range = undefined;
    t.dirty = true;
  }
  app.hub.emit("range");
}

// build makes a tile for every chip.
function build() {
  const node = byID("tiles");
  tiles.clear();
  const chips = app.array.chips ?? [];
  node.replaceChildren((heads = h("div")));
  laid = "";
  reorder(picked ?? (chips.length > MANY ? "grid" : "direction"));
  if (chips.length === 0) node.append(h("p", { class: "empty" }, "The array has no chips."));
  chips.forEach((c, i) => {
    const canvas = h("canvas", { width: 8, height: 8 }), age = h("span", { class: "age" }, "no frame yet"), found = h("span", { class: "health", hidden: true });
    const button = h("button", {
      type: "button", class: "tile", tabindex: i === 0 ? 0 : -1, data: { chip: c.name, state: "none" },
      onclick: () => pick(c.name), onkeydown: (e) => move(e, c.name),
    }, h("span", { class: "pic" }, die(canvas)), h("span", { class: "cap" }, h("span", { class: "name" }, c.name), " ", age), " ", found);
    node.append(button);
    tiles.set(c.name, { chip: c, button, canvas, age, found, views: new Map(), dirty: false });
  });
  place();
  if (chips.length) choose(chips[0].name, true);
}

// all is whether the room shows everything at once: as the styles say it.
const all = matchMedia("(min-width: 1500px) and (min-height: 860px)");

const MANY = 32; // chips, above which pictures that are pushed apart by direction no longer stand beside their neighbours
let laid = "", heads, picked; // the order that a person has chosen

// lay works out where the tiles go: in units of the layout, and again only where something else is asked for.
function lay(narrow, wide, high) {
  const chips = app.array.chips ?? [], ratio = Math.max(0.4, Math.min(3, wide / Math.max(1, high)));
  const key = [options.order, narrow, options.order === "direction" ? "" : ratio.toFixed(1), app.array.name, chips.length].join();
  if (key === laid) return;
  laid = key;
  if (options.order === "direction") layout = narrow ? grid(chips, 30, 37, 3, 4) : arrange(chips, 36, 41, 3);
  else if (options.order === "grid") layout = narrow ? grid(chips, 30, 37, 3, 4) : ordered(chips, 30, 35, 3, ratio);
  else layout = stacked(grouped(chips, options.order === "axis" ? "direction" : options.order, app.array.groups), narrow ? 4 : Math.max(4, Math.ceil(Math.sqrt(chips.length * ratio))), 30, 35, 3);
}

// place puts the tiles where their chips look, in rows and columns, or by groups; on a narrow screen in rows, in order.
function place() {
  const node = byID("tiles");
  if (tiles.size === 0 || node.clientWidth === 0) return;
  const narrow = node.clientWidth < 520, fixed = all.matches; // then the styles give the height
  const high = narrow ? Infinity : fixed ? node.clientHeight : Math.max(380, window.innerHeight - 190);
  lay(narrow, node.clientWidth, Math.min(high, 1000));
  // As wide as there is room; all in one window where it is high enough; and no tile wider than about 200 pixels, but by
  // the size that was asked for.
  const unit = Math.min(node.clientWidth / layout.width, high / layout.height, 6) * options.size;
  const left = Math.max(0, (node.clientWidth - layout.width * unit) / 2);
  node.style.height = fixed ? "" : Math.min(layout.height * unit, Math.max(380, high)) + (layout.width * unit > node.clientWidth ? 14 : 0) + "px";
  for (const t of tiles.values()) {
    const b = layout.boxes.get(t.chip.name), st = t.button.style;
    st.left = left + b.x * unit + "px";
    st.top = b.y * unit + "px";
    st.width = b.w * unit + "px";
    st.height = b.h * unit + "px";
    t.button.dataset.small = b.w * unit < 74;
    // Where name and age have no room beside each other, the age of what is fresh gives way: it is told of what is not.
    t.button.dataset.tight = b.w * unit < 7.2 * t.chip.name.length + 48;
    st.setProperty("--name", Math.min(11.2, (b.w * unit - 9) / (0.6 * Math.max(1, t.chip.name.length))).toFixed(1) + "px");
  }
  heads.replaceChildren(...(layout.labels ?? []).map((l) => {
    const head = h("p", { class: "group-head" }, l.text);
    head.style.left = left + "px";
    head.style.top = l.y * unit + "px";
    head.style.height = 12 * unit + "px";
    return head;
  }));
}

let large = "", byHand = ""; // the chip that is shown large, and the one that somebody picked

function pick(name) {
  byHand = name;
  choose(name);
}

// showWorst shows a chip of the worst finding large, where nobody picked one and none of a finding is.
function showWorst({ findings = [] }) {
  const open = findings.filter((f) => !f.shelving), chips = open.flatMap((f) => f.chips ?? []).filter((n) => tiles.has(n));
  if (chips.length && !tiles.has(byHand) && !chips.includes(large)) choose(chips[0], true);
}

function choose(name, quiet) {
  large = name;
  for (const [n, t] of tiles) {
    t.button.tabIndex = n === name ? 0 : -1;
    t.button.setAttribute("aria-pressed", n === name);
  }
  app.hub.emit("chip", { name, quiet });
}

function move(e, name) {
  if (!e.key.startsWith("Arrow")) return;
  e.preventDefault();
  const to = tiles.get(neighbour(layout.boxes, name, e.key));
  tiles.get(name).button.tabIndex = -1;
  to.button.tabIndex = 0;
  to.button.focus();
}

function onAnswer({ question, answer }) {
  const now = performance.now(), deliveries = answer.deliveries ?? [];
  progress.took(answer);
  silence.heard(now, (answer.tasks ?? []).map((t) => t.task), deliveries.length > 0);
  for (const d of deliveries) onSet(d.frame_set, num(d.left_out), question, now);
}

function onSet(set, missed, question, now) {
  came = now;
  newest = set;
  leftOut.add(question, missed);
  const told = byTask.get(set.task) ?? { lost: 0 };
  told.slackNS = num(set.deadline_bus_ns) - num(set.finish_bus_ns);
  told.leastNS = Math.min(told.leastNS ?? Infinity, told.slackNS);
  told.failure = set.failure;
  if (question === "late") told.lost += missed;
  byTask.set(set.task, told);
  for (const f of set.frames ?? []) {
    const t = tiles.get(f.chip);
    if (!t) continue;
    received.add(came);
    t.views.set(`${set.task} / ${f.view}`, new Picture(f, set, came));
    t.dirty = true;
  }
  app.hub.emit("frames", set);
}

// best is the picture that a tile shows: of the views seen lately the one with most pixels.
export function best(views, now = performance.now()) {
  let out;
  for (const [key, p] of views) {
    const size = (p.frame.rows ?? 0) * (p.frame.columns ?? 0);
    if (now - p.at > FORGET_VIEW_MS && views.size > 1 && [...views.values()].some((q) => q.at > p.at)) {
      views.delete(key);
      continue;
    }
    if (!out || size > out.size) out = { size, p };
  }
  return out?.p;
}

// die is what a canvas of render stands in: the chip, with its proportions, of which a window covers a part.
export const die = (canvas) => h("span", { class: "die" }, canvas);

// clipping is at which end half of a picture or more is clipped: "high", "low" or ""; "failed" is one that its job left
// incomplete.
export function clipping(p) {
  if (p.set.failure) return "failed";
  const half = p.codes.length / 2;
  return num(p.frame.clipped_high) >= half ? "high" : num(p.frame.clipped_low) >= half ? "low" : "";
}

// render draws a picture into a canvas. keep has the range of the last time.
export function render(canvas, p, keep, mark) {
  const cls = app.classes.get(app.chips.get(p.frame.chip)?.class);
  const lay = (keep.lay = lattice(p.frame, cls));
  if (canvas.width !== lay.width || canvas.height !== lay.height) {
    canvas.width = Math.max(1, lay.width);
    canvas.height = Math.max(1, lay.height);
    keep.image = undefined;
  }
  put(canvas, lay);
  keep.range = steady(options.range === "auto" ? keep.range : undefined, shown(options.range, p.codes, p.bits, [options.low, options.high]));
  const c = canvas.getContext("2d");
  keep.image ??= c.createImageData(canvas.width, canvas.height);
  paint(keep.image.data, p.codes, lay, grey(...keep.range, table, options.white === "light" && falls(cls)), mark, p.bits);
  keep.image.version = (keep.image.version ?? 0) + 1;
  c.putImageData(keep.image, 0, 0);
  return { lay, range: keep.range };
}

// put gives a canvas its place on its chip.
function put(canvas, lay) {
  const whole = options.place === "fill", at = whole ? { left: 0, top: 0, width: 1, height: 1 } : lay.place;
  const now = `${whole ? lay.ratio : lay.dieRatio} ${at.left} ${at.top} ${at.width} ${at.height}`;
  if (canvas.dataset.at === now) return; // the styles of many pictures a second are better left alone
  canvas.dataset.at = now;
  canvas.parentElement.style.setProperty("--ratio", String(whole ? lay.ratio : lay.dieRatio));
  for (const [key, v] of Object.entries(at)) canvas.style[key] = `${(100 * v).toFixed(3)}%`;
}

// hostLag is how long ago the set was finished by the host's clock, in milliseconds.
function hostLag(p) {
  const sampled = Date.parse(p.frame.first_sample_time);
  return Date.now() - (sampled + (num(p.set.finish_bus_ns) - num(p.frame.first_sample_bus_ns)) / 1e6);
}

// ofChip is what a panorama draws of a chip.
function ofChip(name) {
  const t = tiles.get(name);
  return t?.image && t.shown ? { image: t.image, place: t.lay.place, old: t.button.dataset.state === "stale" } : undefined;
}

const triple = (name) => colour(name).match(/\d+(\.\d+)?/g).slice(0, 3).map(Number);

// Pictures are drawn so long at a time, and at least so many where the machine is busy: what is left waits for the next
// turn, and whoever clicks does not wait for all.
const BUDGET_MS = 12, LEAST_DRAWN = 6;

function draw() {
  const now = performance.now();
  let n = 0;
  for (const t of tiles.values()) {
    if (!t.dirty || !visible.visible) continue;
    if (n++ >= LEAST_DRAWN && performance.now() - now > BUDGET_MS) break;
    t.dirty = false;
    // Those that were drawn go behind those that were not.
    tiles.delete(t.chip.name);
    tiles.set(t.chip.name, t);
    const p = best(t.views, now);
    if (!p) continue;
    render(t.canvas, p, t);
    t.canvas.parentElement.dataset.clips = clipping(p);
    if (p !== t.shown) {
      drawn.add(now);
      lags.push(hostLag(p));
      t.shown = p;
    }
  }
  panorama.draw(now, ofChip, { ground: triple("sunken"), stripe: triple("edge"), dot: triple("focus") });
  app.hub.spread("draw", now);
  setTimeout(() => requestAnimationFrame(draw), Math.max(0, DRAW_MS - (performance.now() - now)));
}

// age is how old the light of a picture is, in milliseconds: by bus time on a bus in real
// time, else since it came.
export function age(p, now = performance.now()) {
  const came = now - p.at;
  if (app.status?.pace !== "PACE_REALTIME") return came;
  return Math.max(came, ((app.clock.now(now) ?? 0) - num(p.frame.light_bus_ns)) / 1e6);
}

// period is how long after a picture of a task the next one is to come, in milliseconds; 0 of one that is not known.
function period(task) {
  const running = app.status?.tasks?.find((t) => t.task.name === task);
  if (running?.task.least_interval || running?.status?.paused) return 0; // it has frames when it is triggered, or resumed
  const rate = running?.status?.planned_rate_hz;
  return rate ? 1000 / Math.min(rate, MAX_RATE_HZ) : 0;
}

export const stale = (p, now = performance.now()) => isStale(age(p, now), period(p.set.task), app.link.live);

// tellSilence says when no frame sets come though the connection lives.
function tellSilence(now) {
  const paused = (name) => app.status?.tasks?.find((t) => t.task.name === name)?.status?.paused;
  const asked = app.link.live && !app.status?.safe_stop && (silence.tasks.length === 0 || !silence.tasks.every(paused));
  text(byID("silence"), asked ? silence.says(now, silence.tasks.map(period)) : "");
}

let ticks = 0, aging = false;
async function ages() {
  if (aging) return;
  aging = true;
  const now = performance.now(), turn = turns();
  for (const t of [...tiles.values()]) {
    await turn();
    const p = best(t.views, now);
    if (!p || !tiles.has(t.chip.name)) continue;
    const old = stale(p, now), state = old ? "stale" : p.set.failure ? "failed" : p.set.late ? "late" : "fresh";
    t.button.dataset.state = state;
    const note = { stale: "STALE ", failed: "FAILED ", late: "LATE ", fresh: "" }[state];
    text(t.age, (t.button.dataset.small === "true" ? note.trim() : "") || note + ageText(age(p, now)));
    const found = t.found.textContent;
    // What is seen stands in the name as it stands in the tile, for those who speak to the machine; what is not, after it.
    const small = t.button.dataset.small === "true", since = ageText(age(p, now)), hidden = state === "fresh" && (small || t.button.dataset.tight === "true");
    const parts = hidden ? [t.chip.name, found, since] : small && note ? [t.chip.name, note.trim(), found, since] : [t.chip.name, note + since, found];
    t.button.setAttribute("aria-label", parts.filter(Boolean).join(" "));
  }
  aging = false;
  tellSilence(now);
  if (ticks++ % 5) return;
  const rate = (m) => m.perSecond(now).toFixed(0), lag = median(lags.slice(-600));
  const node = byID("drawn");
  node.dataset.lagMs = lag.toFixed(1);
  node.dataset.worstMs = Math.max(0, ...lags.slice(-600)).toFixed(1);
  node.dataset.drawn = rate(drawn);
  node.dataset.received = rate(received);
  lags = lags.slice(-600);
  const fresh = newest ? `newest set (${newest.task}) came ${ageText(now - came)} ago; ` : "";
  text(node, `Up to ${MAX_RATE_HZ} Hz: ${rate(received)} frames/s received, ${rate(drawn)} drawn; ${fresh}` +
    `${lag.toFixed(0)} ms from the end of a job to its picture (median, by this machine's clock). ` +
    `Frame sets left out by the limit: ${leftOut.limit}; lost because this page was slow: ${leftOut.slow}.`);
}
