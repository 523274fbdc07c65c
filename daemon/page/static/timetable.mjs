// The timetable of one hyperperiod with the running position: a row for every task, in it
// its segments, each divided by height into what the bus does; release and deadline of every
// job; and below, which chips hold a load that is not yet read.

import { byID, h, s, seen, text } from "./dom.mjs";
import { legend, patterns, phaseRects } from "./phases.mjs";
import { count, duration, num, percent, words } from "./units.mjs";

const ROW = 34, HOLD = 7, LEFT = 92, TOP = 20, MANY = 24, CURVE = 60;
let app, box, detail, cursor, zoom = 1, chosen = -1, drawnPlan, visible;

export function start(a) {
  app = a;
  patterns();
  const button = (label, title, f) => h("button", { type: "button", "aria-label": title, title, onclick: f }, label);
  byID("timetable-tools").append(legend(), button("−", "Show more of the timetable", () => scale(1 / 2)), button("+", "Show it in more detail", () => scale(2)));
  box = h("div", { class: "scroll", id: "timetable-box" });
  detail = h("p", { class: "small", id: "timetable-detail", role: "status" });
  byID("timetable-body").append(h("p", { class: "small muted", id: "timetable-sum" }, "Waiting for the plan…"), box, detail, listBox());
  visible = seen(box);
  app.hub.on("plan", draw);
  app.hub.on("draw", () => visible.visible && run());
  let wide = 0; // only the width counts: the height changes with what is said of a segment
  new ResizeObserver(() => {
    if (drawnPlan && wide !== box.clientWidth) draw();
    wide = box.clientWidth;
  }).observe(box);
}

let list;
function listBox() {
  list = h("tbody");
  const head = ["Start", "End", "Task", "Job", "Release", "Deadline", "Reads", "Still held"].map((t) => h("th", { scope: "col" }, t));
  return h("details", { id: "timetable-list" }, h("summary", {}, "The segments as a list"),
    h("div", { class: "scroll tall", tabindex: "0", role: "region", "aria-label": "Segments" }, h("table", {}, h("thead", {}, h("tr", {}, head)), list)));
}

function scale(by) {
  zoom = Math.min(64, Math.max(1, zoom * by));
  draw();
}

// named are the tasks of a segment; a shared job has several.
const named = (seg) => seg.tasks ?? [];

function draw() {
  const plan = app.plan, table = plan.timetable, tasks = (plan.tasks ?? []).map((t) => t.name);
  drawnPlan = plan;
  chosen = -1;
  cursor = undefined;
  text(detail, "");
  const segments = table?.segments ?? [];
  const period = num(table?.hyperperiod_ns);
  if (segments.length === 0 || period === 0) {
    text(byID("timetable-sum"), "No timetable is active: no tasks run.");
    box.replaceChildren();
    list.replaceChildren();
    return;
  }
  text(byID("timetable-sum"), `${duration(period)}, ${count(segments.length, "segment")}, the bus is used ${percent(plan.utilization)} of the time; ` +
    `found by ${plan.method}. No correct program of these jobs needs less than ${percent(num(plan.utilization) * num(plan.efficiency))}.`);
  const held = holdBars(plan.predictions ?? [], segments, period), chips = [...held.keys()];
  const width = Math.max(320, box.clientWidth - 4) * zoom, inner = width - LEFT - 8;
  const few = chips.length <= MANY; // of many, how many hold a load at once
  const tall = TOP + tasks.length * ROW + (chips.length ? 14 + (few ? chips.length * HOLD : CURVE) : 0) + 6;
  const x = (ns) => LEFT + (ns / period) * inner;
  const y = (task) => TOP + tasks.indexOf(task) * ROW;
  const root = s("svg", {
    width, height: tall, viewBox: `0 0 ${width} ${tall}`, role: "group", tabindex: "0", id: "timetable-svg",
    "aria-label": `Timetable of ${duration(period)} with ${segments.length} segments. Left and right arrow keys step through them.`, onkeydown: (e) => step(e, segments),
  });
  root.append(...axis(period, x, tall));
  tasks.forEach((name, i) => root.append(
    s("text", { x: 4, y: TOP + i * ROW + 20, class: "tt-name" }, name),
    s("line", { x1: LEFT, x2: width - 8, y1: TOP + (i + 1) * ROW, y2: TOP + (i + 1) * ROW, class: "tt-line" })));
  root.append(...jobMarks(segments, x, y));
  segments.forEach((seg, i) => root.append(...named(seg).filter((n) => tasks.includes(n)).map((n) => segmentBox(seg, i, x, y(n), segments))));
  if (chips.length) root.append(...(few ? holdRows : holdCurve)(chips, held, x, TOP + tasks.length * ROW + 12, period));
  cursor = s("g", { class: "tt-now" }, s("line", { x1: 0, x2: 0, y1: TOP - 6, y2: tall }), s("path", { d: `M-5 ${TOP - 12}h10l-5 7z` }));
  root.append(cursor);
  cursor.span = { left: x(0), inner, period };
  box.replaceChildren(root);
  fillList(segments);
}

function axis(period, x, tall) {
  const target = period / Math.max(4, Math.floor((x(period) - x(0)) / 110));
  const power = 10 ** Math.floor(Math.log10(target));
  const each = [1, 2, 5, 10].map((m) => m * power).find((v) => v >= target);
  const out = [];
  for (let t = 0; t < period; t += each) {
    out.push(s("line", { x1: x(t), x2: x(t), y1: TOP - 4, y2: tall, class: "tt-line" }), s("text", { x: x(t) + 3, y: 11, class: "tt-tick" }, duration(t)));
  }
  return out;
}

// jobMarks show the span of each job from release to deadline.
function jobMarks(segments, x, y) {
  const jobs = new Map();
  for (const seg of segments) for (const n of named(seg)) jobs.set(n + "/" + num(seg.job), { n, from: num(seg.release_ns), to: num(seg.deadline_ns) });
  return [...jobs.values()].filter((j) => y(j.n) >= TOP).map((j) => s("g", { class: "tt-job" },
    s("line", { x1: x(j.from), x2: x(j.from), y1: y(j.n) + 5, y2: y(j.n) + ROW }),
    s("path", { d: `M${x(j.to)} ${y(j.n) + 5}v${ROW - 5}m0 ${-(ROW - 5)}h-6l6 6z` }),
    s("title", {}, `${j.n}: released at ${duration(j.from)}, deadline ${duration(j.to)}`)));
}

const LEAST_WIDE = 1.2, LEAST_HIGH = 2; // pixels, at which what is there is still seen
const TO_SCALE = 2; // pixels, below which what is drawn is marked as not to scale

// segmentBox draws a segment, divided by height into its phases; one that is too short to be drawn to scale is marked.
function segmentBox(seg, i, x, top, segments) {
  const from = x(num(seg.start_ns)), real = x(num(seg.end_ns)) - from, w = Math.max(LEAST_WIDE, real), tall = ROW - 12;
  const g = s("g", { class: "tt-seg", role: "img", "aria-label": `Segment ${i + 1}: ${named(seg).join(" and ")}, ${duration(seg.start_ns)} to ${duration(seg.end_ns)}`, data: { index: i }, onclick: () => pick(i, segments) }, s("rect", { x: from, y: top + 8, width: w, height: tall, class: "tt-back" }));
  const phases = (seg.phases ?? []).map((p) => ({ name: words(p.phase, "PHASE_"), busy: num(p.busy_ns) || num(p.fraction) }));
  const all = phases.reduce((sum, p) => sum + p.busy, 0);
  const there = phases.filter((p) => p.busy > 0), rest = tall - LEAST_HIGH * there.length;
  let y = top + 8;
  for (const p of there) {
    const part = LEAST_HIGH + (rest * p.busy) / all;
    g.append(...phaseRects(p.name, from, y, w, part));
    if (real >= TO_SCALE && (tall * p.busy) / all < TO_SCALE) g.append(s("path", { d: `M${from} ${y + part / 2}l-4 -2.5v5z`, class: "tt-tiny", data: { phase: p.name } }));
    y += part;
  }
  if (real < TO_SCALE) g.append(s("path", { d: `M${from + w / 2} ${top + 7}l2.5 -4h-5z`, class: "tt-tiny" }));
  return g;
}

// holdBars are the holds of a timetable by chip: of a load that waits between segments as
// heldBars finds it; of one that is read in its own segment from the predicted holds, the
// longest of which ends with the segment.
export function holdBars(predictions, segments, period) {
  const out = heldBars(segments, period), between = new Set(out.keys()), predicted = new Map();
  for (const p of predictions) for (const c of p.holds ?? []) predicted.set(p.task + "/" + c.chip, num(c.hold_ns));
  for (const seg of segments) {
    const holds = (seg.reads ?? []).filter((chip) => !between.has(chip))
      .map((chip) => [chip, Math.max(0, ...named(seg).map((n) => predicted.get(n + "/" + chip) ?? 0))]);
    const loaded = num(seg.end_ns) - Math.max(0, ...holds.map(([, ns]) => ns));
    if (loaded < num(seg.start_ns)) continue; // it was loaded in a segment before
    for (const [chip, ns] of holds) if (ns > 0) out.set(chip, [...(out.get(chip) ?? []), [loaded, loaded + ns]]);
  }
  return out;
}

// heldBars are, for every chip that holds a load between segments, from when to when.
export function heldBars(segments, period) {
  const out = new Map(), open = new Map();
  const add = (chip, from, to) => out.set(chip, [...(out.get(chip) ?? []), [from, to]]);
  for (const seg of segments) {
    const now = new Set(seg.holds ?? []);
    for (const [chip, from] of open) {
      if (now.has(chip)) continue;
      add(chip, from, num(seg.end_ns));
      open.delete(chip);
    }
    for (const chip of now) if (!open.has(chip)) open.set(chip, num(seg.end_ns));
  }
  for (const [chip, from] of open) add(chip, from, period);
  return out;
}

// heldCount is how many chips hold a load, as steps: from when on, and how many.
export function heldCount(held) {
  const changes = [...held.values()].flat().flatMap(([from, to]) => [[from, 1], [to, -1]]).sort((a, b) => a[0] - b[0]);
  const out = [];
  let n = 0;
  for (const [at, by] of changes) {
    n += by;
    if (out.at(-1)?.[0] === at) out.at(-1)[1] = n;
    else out.push([at, n]);
  }
  return out;
}

function holdCurve(chips, held, x, top, period) {
  const steps = heldCount(held), most = Math.max(1, ...steps.map(([, n]) => n));
  const y = (n) => top + (CURVE - 4) * (1 - n / most);
  const path = steps.map(([at, n]) => `H${x(at).toFixed(2)}V${y(n).toFixed(2)}`).join("");
  return [s("text", { x: 4, y: top + 8, class: "tt-tick" }, `held at once:`), s("text", { x: 4, y: top + 22, class: "tt-tick" }, `up to ${most} of ${chips.length}`),
    s("path", { d: `M${x(0)} ${y(0)}${path}H${x(period)}V${y(0)}Z`, class: "tt-curve" }, s("title", {}, `Up to ${most} of ${chips.length} chips hold a load at once`))];
}

function holdRows(chips, held, x, top) {
  const out = [s("text", { x: 4, y: top + 8, class: "tt-tick" }, `held: ${chips.length} chips`)];
  chips.forEach((chip, i) => {
    for (const [from, to] of held.get(chip)) {
      out.push(s("rect", { x: x(from), y: top + i * HOLD, width: Math.max(1, x(to) - x(from)), height: HOLD - 2, class: "tt-held" },
        s("title", {}, `${chip} holds a load from ${duration(from)} to ${duration(to)}`)));
    }
  });
  return out;
}

function step(e, segments) {
  const by = { ArrowRight: 1, ArrowLeft: -1 }[e.key];
  if (!by) return;
  e.preventDefault();
  pick((chosen + by + segments.length) % segments.length, segments);
}

function pick(i, segments) {
  chosen = i;
  const seg = segments[i];
  for (const g of box.querySelectorAll(".tt-seg")) g.classList.toggle("chosen", Number(g.dataset.index) === i);
  const first = box.querySelector(".tt-seg.chosen rect");
  if (first) {
    const at = Number(first.getAttribute("x"));
    if (at < box.scrollLeft + LEFT || at > box.scrollLeft + box.clientWidth - 40) box.scrollLeft = at - box.clientWidth / 2;
  }
  const phases = (seg.phases ?? []).map((p) => `${words(p.phase, "PHASE_")} ${duration(p.busy_ns)}`).join(", ");
  text(detail, `Segment ${i + 1} of ${segments.length}: ${named(seg).join(" and ")}, job ${num(seg.job)}, ${duration(seg.start_ns)} to ${duration(seg.end_ns)} ` +
    `(deadline ${duration(seg.deadline_ns)}). ${phases}. Reads ${(seg.reads ?? []).join(", ") || "nothing"}; still held afterwards: ${(seg.holds ?? []).join(", ") || "none"}.`);
}

function fillList(segments) {
  list.replaceChildren(...segments.map((seg) => h("tr", {},
    [duration(seg.start_ns), duration(seg.end_ns), named(seg).join(", "), String(num(seg.job)), duration(seg.release_ns), duration(seg.deadline_ns),
      (seg.reads ?? []).join(", "), (seg.holds ?? []).join(", ")].map((v) => h("td", {}, v)))));
}

// run moves the running position.
function run() {
  if (!cursor) return;
  const now = app.clock.now(performance.now());
  if (now === undefined) return;
  const { left, inner, period } = cursor.span;
  const at = (((now - app.epochNS) % period) + period) % period;
  cursor.setAttribute("transform", `translate(${(left + (at / period) * inner).toFixed(1)} 0)`);
  cursor.style.visibility = app.link.live ? "visible" : "hidden";
}
