// Rates, slack, misses, drops and skew by task, with short histories.

import { call } from "./api.mjs";
import { byID, colour, fit, h, text } from "./dom.mjs";
import { streamOf } from "./frames.mjs";
import { history } from "./history.mjs";
import { History } from "./stats.mjs";
import { count, duration, hertz, num } from "./units.mjs";

// kept are the quantities of the daemon's histories, with which of each step is drawn: that which was worst.
const kept = { achieved: ["ACHIEVED_RATE", "mean"], slack: ["SLACK", "least"], failed: ["JOBS_MISSED", "most"], skew: ["SKEW", "most"] };
const columns = [
  ["Task", "name"], ["Requested", "requested"], ["Planned", "planned"], ["Achieved", "achieved", true], ["Slack, last job", "slack", true],
  ["Least slack planned", "least"], ["Response, worst", "response"], ["Skew, last set", "skew", true], ["Late", "late"], ["Failed", "failed", true], ["Lost here", "lost", true], ["", "do"],
];
const rows = new Map(); // by task
let app, body, said;

export function start(a) {
  app = a;
  byID("rates-body").append(h("p", { class: "empty", id: "rates-empty" }, "Waiting for the first status…"));
  byID("rates").append((said = h("p", { class: "said", id: "rates-said", role: "status" })));
  app.hub.on("status", update);
  app.hub.on("history", () => rows.forEach((row, name) => {
    seed(row, name);
    sparks(row, performance.now());
  }));
  app.hub.on("theme", () => rows.forEach((r) => sparks(r, performance.now())));
}

function table() {
  body = h("tbody");
  const head = h("tr", {}, columns.map(([label]) => h("th", { scope: "col", data: label ? {} : { rooms: "change" } }, label || h("span", { class: "hidden" }, "Change, remove or pause"))));
  byID("rates-body").replaceChildren(h("table", { id: "rates-table", "aria-label": "Rates by task" }, h("thead", {}, head), body), h("p", { class: "empty", id: "rates-empty", hidden: true }, "No tasks run. Add one below."));
}

function newRow(name) {
  const row = { cells: {}, sparks: {}, histories: {} };
  row.node = h("tr", { data: { task: name } });
  for (const [, key, spark] of columns) {
    const value = h("span", { class: "num" });
    const cell = h(key === "name" ? "th" : "td", { data: key === "do" ? { key, rooms: "change" } : { key }, scope: key === "name" ? "row" : undefined }, value);
    row.cells[key] = value;
    if (spark) {
      row.histories[key] = new History(history.spanS * 1000);
      cell.append((row.sparks[key] = h("canvas", { class: "spark", role: "img" })));
    }
    row.node.append(cell);
  }
  const act = (label, what) => h("button", { type: "button", class: "small", "aria-label": `${label} task ${name}`, onclick: () => app.hub.emit(what, name) }, label);
  row.cells.do.replaceWith(h("span", { class: "row" }, act("Change", "edit"), act("Remove", "remove"),
    (row.pause = h("button", { type: "button", class: "small", onclick: () => pause(row, name) }))));
  seed(row, name);
  return row;
}

// seed begins the curves with what the daemon kept. Where they are longer than what goes on, they are that alone.
function seed(row, name) {
  if (!history.live) row.before = undefined;
  for (const [key, hist] of Object.entries(row.histories)) {
    const [quantity, part] = kept[key] ?? [];
    if (!history.live) hist.points = []; // what went on with them is not theirs
    hist.seed(history.points(quantity, name).map((p) => ({ at: p.at, value: p[part] })), history.spanS * 1000);
  }
}

// pause pauses a task, or resumes it: neither needs another plan, and the other tasks see nothing of it.
async function pause(row, name) {
  const paused = !row.paused;
  row.pause.disabled = true;
  try {
    await call("TaskService", "UpdateTask", { task: { name, paused }, update_mask: "paused" });
    app.say(said, "ok", paused ? `The task ${name} is paused. Its place in the timetable is kept.` : `The task ${name} goes on.`);
  } catch (e) {
    app.say(said, "bad", e.message);
    if (!e.code) console.error(e);
  } finally {
    row.pause.disabled = false;
  }
}

function update(st) {
  if (!body) table();
  const tasks = st.tasks ?? [], now = performance.now();
  byID("rates-empty").hidden = tasks.length > 0;
  byID("rates-table").hidden = tasks.length === 0;
  for (const [name, row] of rows) {
    if (!tasks.some((t) => t.task.name === name)) {
      row.node.remove();
      rows.delete(name);
    }
  }
  for (const t of tasks) {
    if (!rows.has(t.task.name)) {
      const row = newRow(t.task.name);
      rows.set(t.task.name, row);
      body.append(row.node);
    }
    show(rows.get(t.task.name), t, now);
  }
}

function show(row, { task, status: st = {} }, now) {
  const told = streamOf(task.name), prediction = (app.plan?.predictions ?? []).find((p) => p.task === task.name);
  const set = (key, value, state) => {
    text(row.cells[key], value);
    row.cells[key].dataset.state = state ?? "";
  };
  const planned = num(st.planned_rate_hz), achieved = num(st.achieved_rate_hz);
  set("name", task.name);
  set("requested", hertz(st.requested_rate_hz));
  set("planned", hertz(planned), planned > num(st.requested_rate_hz) * 1.1 ? "warn" : "");
  row.paused = Boolean(st.paused);
  text(row.pause, row.paused ? "Resume" : "Pause");
  row.pause.setAttribute("aria-label", `${row.paused ? "Resume" : "Pause"} task ${task.name}`);
  if (st.paused) set("achieved", "paused");
  else set("achieved", hertz(achieved), achieved < planned * 0.95 ? "warn" : "");
  set("slack", told ? duration(told.slackNS) : "no frames yet", told && told.slackNS < 0 ? "bad" : "");
  set("least", prediction ? duration(prediction.least_slack_ns) : "");
  set("response", duration(st.worst_response_ns));
  set("skew", duration(st.last_skew_ns));
  set("late", String(num(st.jobs_late)), num(st.jobs_late) ? "bad" : "");
  set("failed", String(num(st.jobs_failed)), num(st.jobs_failed) ? "bad" : "");
  set("lost", count(told?.lost ?? 0, "set"), told?.lost ? "warn" : "");
  row.cells.failed.title = st.last_failure ?? "";
  if (history.live) extend(row, told, now, achieved, st);
  row.planned = planned;
  sparks(row, now);
}

// extend lets the curves go on.
function extend(row, told, now, achieved, st) {
  row.histories.achieved.add(now, achieved);
  if (told) {
    row.histories.slack.add(now, told.leastNS ?? told.slackNS); // the least since the status before
    told.leastNS = undefined;
  }
  // Misses and losses are drawn as how many since the status before.
  const since = (key, total) => {
    row.histories[key].add(now, Math.max(0, total - (row.before?.[key] ?? total)));
    row.before = { ...row.before, [key]: total };
  };
  since("failed", num(st.jobs_late) + num(st.jobs_failed));
  since("lost", told?.lost ?? 0);
  row.histories.skew.add(now, num(st.last_skew_ns));
}

function sparks(row, now) {
  const draw = (key, low, high, write, line) => {
    const canvas = row.sparks[key], hist = row.histories[key], [least, most] = hist.range();
    const { c, w, h: tall } = fit(canvas);
    if (line !== undefined) {
      c.strokeStyle = colour("edge");
      c.setLineDash([2, 3]);
      const y = 2 + (tall - 4) * (1 - (line - low) / (high - low));
      c.beginPath();
      c.moveTo(0, y);
      c.lineTo(w, y);
      c.stroke();
      c.setLineDash([]);
    }
    c.strokeStyle = colour("accent");
    c.lineWidth = 1.5;
    for (const points of hist.lines(now, low, high, Math.max(3000, 2.5 * history.stepMS))) {
      c.beginPath();
      points.forEach((p, i) => c[i ? "lineTo" : "moveTo"](p.x * w, 2 + (tall - 4) * (1 - Math.min(1, Math.max(0, p.y)))));
      if (points.length === 1) c.lineTo(points[0].x * w + 1, 2 + (tall - 4) * (1 - Math.min(1, Math.max(0, points[0].y))));
      c.stroke();
    }
    if (!hist.points.length) return;
    canvas.setAttribute("aria-label", `the last ${history.text}: ${write(least)} to ${write(most)}`);
    canvas.dataset.from = Math.round((now - hist.points[0].at) / 1000); // seconds ago
  };
  draw("achieved", 0, Math.max(row.planned * 1.25, row.histories.achieved.range()[1], 1e-9), hertz, row.planned);
  const [a, b] = row.histories.slack.range();
  draw("slack", Math.min(0, a), Math.max(b * 1.1, 1), duration, 0);
  draw("failed", 0, Math.max(row.histories.failed.range()[1], 1), (n) => `${n} late or failed`);
  draw("lost", 0, Math.max(row.histories.lost.range()[1], 1), (n) => `${n} lost`);
  draw("skew", 0, Math.max(row.histories.skew.range()[1] * 1.25, 1), duration);
}
