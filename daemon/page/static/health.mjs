// The health of chips and array: findings with their evidence and what to do next, on the first screen, on the tiles and
// beside the chip that is shown large. Nothing here has a colour while nothing is wrong.

import { call } from "./api.mjs";
import { byID, h, text } from "./dom.mjs";
import { running } from "./head.mjs";
import { count, num, words } from "./units.mjs";

const signs = { HEALTH_STATE_BAD: "✕", HEALTH_STATE_DEGRADED: "▲", HEALTH_STATE_NOT_JUDGED: "○", HEALTH_STATE_GOOD: "" };
const levels = { HEALTH_STATE_BAD: "bad", HEALTH_STATE_DEGRADED: "warn" };
const short = { UNDRIVEN: "no signal", SATURATED: "full scale", CLIPPED: "clipped", HOT_PIXELS: "hot pixels", NOISY: "noisy", DRIFTED: "drifted",
  FOREIGN_PATTERN: "other chip", OLD_CORRECTION_MAP: "old map", NO_FRAMES: "no frames", JOBS_FAILED: "jobs fail", JOBS_LATE: "jobs late", HOST_BEHIND: "behind", DEVICE_LOST: "lost" };
const kept = 3; // findings that are shown whole; the others open by a click
let app, health, asking = false, missing = false, chip = "", said, put, drawn = "", replay;

export function start(a) {
  app = a;
  said = h("p", { class: "said", role: "status", id: "health-said" });
  put = h("p", { class: "small", id: "health-test", hidden: true }, h("span", {}), " ", h("a", { href: "#wiring" }, "See and clear them"));
  byID("health-body").append(put, h("ol", { class: "findings", id: "findings-list" }), said);
  app.hub.on("status", ask);
  app.hub.on("chip", ({ name }) => {
    chip = name;
    ofChip();
  });
  app.hub.on("array", () => show());
}

// ask asks once a second, with the status, and not again before the answer has come.
async function ask(status) {
  if (asking || missing) return;
  asking = true;
  try {
    health = (await call("HealthService", "GetHealth")).health;
    replay = status.bus === "replay" ? (await call("ReplayService", "GetReplay")).replay : undefined;
    show();
  } catch (e) {
    missing = e.code === "unimplemented" || e.code === "not_found"; // of a daemon from before there was one
    if (!e.code) console.error(e);
  }
  asking = false;
}

// mark is a state as a shape and a word: a colour alone is no sign.
const mark = (f) => h("b", { class: "mark", data: { level: levels[f.state] ?? "" } }, `${signs[f.state] ?? ""} ${words(f.state, "HEALTH_STATE_")}`);

function show() {
  if (!health) return;
  app.hub.emit("health", health);
  const findings = health.findings ?? [], open = findings.filter((f) => !f.shelving);
  head(open);
  const seen = JSON.stringify(findings.map((f) => [f.id, f.text, f.acknowledgement, f.shelving]));
  if (seen !== drawn) {
    drawn = seen;
    byID("health").hidden = findings.length === 0;
    const list = byID("findings-list"), was = new Map([...list.querySelectorAll("details")].map((d) => [d.dataset.id, d.open]));
    const at = focused(list);
    list.replaceChildren(...findings.map((f, i) => finding(f, was.get(f.id) ?? (i < kept && !f.shelving))));
    at();
  }
  // What is found may be what somebody has put in to try the array out: then it is a test, and no fault of its wires.
  const faults = num(health.injected_faults);
  put.hidden = !faults;
  text(put.firstChild, `A test runs: ${count(faults, "fault")} of the virtual bus ${faults === 1 ? "was" : "were"} put in on purpose, and what is found below may come of ${faults === 1 ? "it" : "them"}.`);
  ofTiles(findings);
  ofChip();
}

// focused remembers which part of which finding has the focus, and returns what gives it back: figures change by the
// second, and whoever uses the keyboard must not begin anew each time.
function focused(list) {
  const part = "summary, button, a", active = document.activeElement, details = list.contains(active) && active.closest("details");
  if (!details) return () => {};
  const id = details.dataset.id, n = [...details.querySelectorAll(part)].indexOf(active);
  return () => list.querySelector(`details[data-id="${CSS.escape(id)}"]`)?.querySelectorAll(part)[n]?.focus();
}

// head says it in one line.
function head(open) {
  const node = byID("health-line"), worst = open[0];
  node.dataset.level = worst ? levels[worst.state] : "";
  const good = (health.chips ?? []).filter((c) => c.state === "HEALTH_STATE_GOOD").length;
  const others = open.length > 1 ? `, ${open.length - 1} more` : "";
  text(node, worst ? `${signs[worst.state]} ${words(worst.state, "HEALTH_STATE_")}: ${subject(worst)}: ${worst.fault || (short[kind(worst)] ?? words(kind(worst)))}${others}`
    : `${good} of ${count((health.chips ?? []).length, "chip")} good`);
}

const kind = (f) => (f.kind ?? "").slice("HEALTH_FINDING_KIND_".length);
const subject = (f) => ({ HEALTH_SUBJECT_LANE: "output lane ", HEALTH_SUBJECT_SELECT_LINE: "select line ", HEALTH_SUBJECT_TASK: "task ", HEALTH_SUBJECT_DEVICE: "device " }[f.subject] ?? "") +
  (f.name || (f.subject === "HEALTH_SUBJECT_HOST" ? "host" : "array"));

function finding(f, open) {
  const row = (label, what) => what && h("div", {}, h("dt", {}, label), h("dd", {}, what));
  const by = (a) => `${a.by || "somebody"}${a.note ? `: ${a.note}` : ""}`;
  return h("li", {}, h("details", { open, data: { id: f.id, level: f.shelving ? "" : levels[f.state] } },
    h("summary", {}, mark(f), " ", f.text, f.basis === "HEALTH_BASIS_INFERRED" ? " (inferred)" : " (measured)", f.shelving && " (shelved)", f.acknowledgement && " (seen)"),
    h("dl", { class: "pairs" },
      row("Do", f.action), row("Possible cause", f.cause),
      row("So", f.consequence), row("Since", `${(num(f.since_bus_ns) / 1e9).toFixed(1)} s of bus time`),
      row("Seen", f.acknowledgement && by(f.acknowledgement)),
      row("Shelved", f.shelving && `until ${new Date(f.shelving.until_time).toISOString().slice(11, 16)} UTC, ${by(f.shelving)}`)),
    h("p", { class: "row" }, steps(f.action),
      !f.acknowledgement && h("button", { type: "button", class: "small", onclick: () => act("AcknowledgeFinding", { id: f.id, by: "page" }) }, "I have seen it"),
      f.shelving ? h("button", { type: "button", class: "small", onclick: () => act("ShelveFinding", { id: f.id, duration: "0s", by: "page" }) }, "Unshelve")
        : h("button", { type: "button", class: "small", onclick: () => act("ShelveFinding", { id: f.id, duration: "3600s", by: "page", note: "expected" }) }, "Shelve for an hour"))));
}

// places are where the page has what a command of an advice does.
const places = { probe: ["wiring", "Probe on this page"], calibrate: ["calibration", "Calibrate on this page"], bringup: ["bringup", "Bring up on this page"],
  events: ["events", "Events on this page"], status: ["rates", "Rates on this page"] };

// steps are the commands of an advice, to copy, and the parts of the page that do the same.
function steps(action = "") {
  const commands = [...new Set([...action.matchAll(/'(facetctl [^']+)'/g)].map((m) => m[1]))];
  return commands.flatMap((c) => {
    const [id, label] = places[c.split(" ")[1]] ?? [];
    return [h("button", { type: "button", class: "small", data: { command: c }, onclick: () => copy(c) }, `Copy ${c}`), id && !byID(id).hidden && h("a", { href: "#" + id }, label)];
  });
}

// copy puts a command where the operator's own terminal takes it from; without leave of the browser it is shown to be taken.
async function copy(command) {
  try {
    await navigator.clipboard.writeText(command);
    app.say(said, "", `Copied: ${command}`);
  } catch {
    app.say(said, "", command);
    getSelection().selectAllChildren(said);
  }
}

async function act(method, request) {
  app.say(said, "", "");
  try {
    await call("HealthService", method, request);
    await ask(app.status ?? {});
  } catch (e) {
    app.say(said, "bad", e.message);
    if (!e.code) console.error(e);
  }
}

// ofTiles marks the tiles of chips that are not good, with a shape and a word.
function ofTiles(findings) {
  const byName = new Map(findings.map((f) => [f.id, f]));
  for (const c of health.chips ?? []) {
    const tile = document.querySelector(`.tile[data-chip="${CSS.escape(c.chip)}"]`);
    if (!tile) continue;
    const worst = byName.get((c.findings ?? [])[0]);
    tile.dataset.health = levels[c.state] ?? "";
    const node = tile.querySelector(".health");
    text(node, worst ? `${signs[worst.state]} ${short[kind(worst)] ?? words(kind(worst))}` : "");
    node.hidden = !worst;
  }
}

// ofChip shows the evidence beside the chip that is shown large.
function ofChip() {
  const node = byID("chip-health"), c = (health?.chips ?? []).find((c) => c.chip === chip);
  if (!node) return;
  const found = (health?.findings ?? []).filter((f) => (c?.findings ?? []).includes(f.id));
  const told = [...found.map((f) => `${f.text}. ${f.action}.`), c?.not_judged && `Not judged: ${c.not_judged}.`].filter(Boolean);
  const figures = c && num(c.samples) ? `Spread ${num(c.spread_codes).toFixed(1)} codes (undriven: up to ${num(c.undriven_limit_codes).toFixed(2)})` +
    `${c.noise_codes === undefined ? "" : `; noise ${num(c.noise_codes).toFixed(2)} (limit ${num(c.noise_budget_codes).toFixed(2)})`}` +
    `${c.pattern_fraction === undefined ? "" : `; ${(100 * num(c.pattern_fraction)).toFixed(0)} % of its map's pattern`}` : "";
  node.dataset.level = found.length ? levels[found[0].state] : "";
  text(node, [words(c?.state, "HEALTH_STATE_"), ...told, figures].filter(Boolean).join(" · "));
}

// facts are those of the head that concern more than chips: only what is not as usual is marked.
export function facts() {
  if (!health) return [];
  const away = health.device && !health.device.connected; // then jobs are not counted one by one: the finding of the device is
  const out = [], missed = num(health.jobs_late) + num(health.jobs_failed);
  const since = health.missed_since_bus_ns === undefined ? "" : ` since ${(num(health.missed_since_bus_ns) / 1e9).toFixed(1)} s`;
  const lately = health.last_missed_bus_ns !== undefined && num(health.bus_ns) - num(health.last_missed_bus_ns) < 10e9;
  out.push(["Late, failed", away ? "not counted: the device is lost" : missed ? `${num(health.jobs_late)}, ${num(health.jobs_failed)}${since}` : "none", lately && !away]);
  const recordings = running(health.recordings).length;
  out.push(["Recording", recordings ? count(recordings, "recording") : "none", false]);
  if (num(health.injected_faults)) out.push(["Test", `${count(health.injected_faults, "fault")} put in on purpose`, false]);
  if (num(health.silent_chips)) out.push(["Silent by probe", String(num(health.silent_chips)), true]);
  if (num(health.host_behind)) out.push(["Host behind", `${count(health.host_behind, "time")}, by up to ${(num(health.worst_lag_ns) / 1e9).toFixed(2)} s`, true]);
  if (replay) {
    const at = (num(replay.last_bus_ns) - num(replay.first_bus_ns)) / 1e9;
    out.push(["Replay", replay.ended ? "ended" : `${replay.paused ? "paused, " : ""}${at.toFixed(1)} s long`, Boolean(replay.ended)]);
  }
  return out;
}
