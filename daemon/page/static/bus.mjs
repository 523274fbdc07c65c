// How much of the bus is used, by phase, over the last time.

import { byID, colour, fit, h, seen, text } from "./dom.mjs";
import { history } from "./history.mjs";
import { recentFractions } from "./stats.mjs";
import { PHASES, phaseText, swatch } from "./phases.mjs";
import { num, percent } from "./units.mjs";

const EACH_MS = 1000;
let app, canvas, cells = {}, points = [], marks = [], visible;

export function start(a) {
  app = a;
  canvas = h("canvas", { id: "bus-canvas", role: "img", "aria-label": "Waiting for the first status" });
  const row = (key, label, swatch) => {
    const cell = { now: h("td"), mean: h("td"), planned: h("td") };
    cells[key] = cell;
    return h("tr", { data: { phase: key } }, h("th", { scope: "row" }, swatch, label), cell.now, cell.mean, cell.planned);
  };
  const head = h("tr", {}, ["Phase", "Last second", "Since the timetable began", "Planned"].map((t) => h("th", { scope: "col" }, t)));
  byID("bus-body").append(canvas, h("div", { class: "scroll" }, h("table", { id: "bus-table", "aria-label": "Utilization of the bus by phase" }, h("thead", {}, head), h("tbody", {},
    PHASES.map((p) => row(p, phaseText[p], swatch(p))), row("ALL", "all", "")))));
  visible = seen(canvas, draw);
  app.hub.on("status", add);
  app.hub.on("history", seed);
  app.hub.on("theme", draw);
  app.hub.on("plan", () => (marks = []));
}

// seed begins with what the daemon kept: each of its steps has all phases.
function seed() {
  const at = new Map();
  for (const p of PHASES) {
    for (const v of history.points("UTILIZATION", p)) at.set(v.at, { ...at.get(v.at), [p]: v.mean });
  }
  const kept = [...at].sort(([x], [y]) => x - y).map(([at, fractions]) => ({ at, fractions })), last = kept.at(-1)?.at ?? -Infinity;
  points = [...kept, ...(history.live ? points.filter((p) => p.at > last) : [])];
  if (visible.visible) draw();
}

const fractions = (list) => Object.fromEntries((list ?? []).map((p) => [p.phase.replace("PHASE_", ""), num(p.fraction)]));

function add(st) {
  const now = performance.now(), mark = { at: now, busNS: num(st.bus_ns), fractions: fractions(st.phases) };
  const planned = fractions(app.plan?.phases);
  const before = marks.findLast((m) => now - m.at >= EACH_MS);
  const recent = before && mark.busNS > before.busNS ? recentFractions(before, mark, app.epochNS) : mark.fractions;
  marks.push(mark);
  while (marks.length > 2 && now - marks[1].at > EACH_MS) marks.shift();
  if (history.live) points.push({ at: now, fractions: recent });
  while (points.length && now - points[0].at > history.spanS * 1000) points.shift();
  if (points.length) canvas.dataset.from = Math.round((now - points[0].at) / 1000); // seconds ago
  let sum = 0, sumPlanned = 0;
  const show = (key, now, mean, plan) => {
    text(cells[key].now, percent(now, 2));
    text(cells[key].mean, percent(mean, 2));
    text(cells[key].planned, percent(plan, 2));
  };
  for (const p of PHASES) {
    sum += recent[p] ?? 0;
    sumPlanned += planned[p] ?? 0;
    show(p, recent[p] ?? 0, mark.fractions[p] ?? 0, planned[p] ?? 0);
  }
  show("ALL", sum, num(st.measured_utilization), num(app.plan?.utilization) || sumPlanned);
  canvas.setAttribute("aria-label", `Utilization of the bus over ${history.text}, by phase; now ${percent(sum)} of which ` +
    PHASES.filter((p) => recent[p] > 0.001).map((p) => `${phaseText[p]} ${percent(recent[p])}`).join(", "));
  if (visible.visible) draw();
}

function draw() {
  const { c, w, h: tall } = fit(canvas);
  const left = 40, base = tall - 16, now = performance.now();
  const x = (at) => left + (1 - (now - at) / (history.spanS * 1000)) * (w - left), y = (fraction) => base - fraction * (base - 6);
  c.font = "11px system-ui, sans-serif";
  c.textBaseline = "middle";
  c.textAlign = "right";
  c.fillStyle = colour("muted");
  c.strokeStyle = colour("line");
  for (const v of [0, 0.25, 0.5, 0.75, 1]) {
    c.beginPath();
    c.moveTo(left, y(v));
    c.lineTo(w, y(v));
    c.stroke();
    c.fillText(`${v * 100} %`, left - 5, y(v));
  }
  c.textBaseline = "bottom";
  c.fillText("now", w, tall);
  c.textAlign = "left";
  c.fillText(`${history.text} ago`, left, tall);
  let under = points.map(() => 0);
  for (const p of PHASES) {
    const over = points.map((q, i) => under[i] + (q.fractions[p] ?? 0));
    c.beginPath();
    points.forEach((q, i) => c.lineTo(x(q.at), y(Math.min(1, over[i]))));
    for (let i = points.length - 1; i >= 0; i--) c.lineTo(x(points[i].at), y(Math.min(1, under[i])));
    c.fillStyle = colour("phase-" + phaseText[p]);
    c.fill();
    under = over;
  }
}
