// Faults put into a virtual bus, and the probe that finds the faults of any bus.

import { call, stream } from "./api.mjs";
import { h, select, setOptions, text } from "./dom.mjs";
import { clock, count, num } from "./units.mjs";

// What each kind needs of: line, other (line), chip, input, lane.
const kinds = {
  LINE_STUCK_ACTIVE: ["a select line is always active", "line"],
  LINE_STUCK_INACTIVE: ["a select line is never active", "line"],
  LINES_SWAPPED: ["two select lines are swapped", "line", "other"],
  INPUT_OPEN_ACTIVE: ["an input is open, always active", "chip", "input"],
  INPUT_OPEN_INACTIVE: ["an input is open, never active", "chip", "input"],
  INPUT_SHORTED: ["an input is shorted to another select line", "chip", "input", "other"],
  CHIP_DEAD: ["a chip never drives its output lane", "chip"],
  LANE_OPEN: ["an output lane is open", "lane"],
  LANE_SATURATED: ["an output lane reads full scale", "lane"],
};
const PREFIX = "FAULT_KIND_";
const KEPT = "facetd-probe"; // the last report, for when the page is loaded anew
let app, mark, probed, list, said, kind = "LINE_STUCK_ACTIVE", fields = {}, now = [], form, report, probing;

export function describe(f) {
  const words = kinds[(f.kind ?? "").slice(PREFIX.length)]?.[0] ?? f.kind;
  const where = [f.line && `select line ${f.line}`, f.chip && `chip ${f.chip}`, f.kind?.startsWith(PREFIX + "INPUT") && `input ${f.input ?? 0}`, f.other_line && `${f.kind?.endsWith("SWAPPED") ? "with" : "to"} select line ${f.other_line}`, f.lane && `output lane ${f.lane}`];
  return `${words}: ${where.filter(Boolean).join(", ")}`;
}

export function start(a, node, marker, prober) {
  app = a;
  mark = marker;
  probed = prober;
  list = h("ul", { class: "plainlist", id: "faults-list" });
  said = h("p", { class: "said", id: "faults-said", role: "status" });
  const box = select("Kind", Object.entries(kinds).map(([k, [label]]) => [k, label]), kind, (v) => {
    kind = v;
    enable();
  });
  box.box.id = "fault-kind";
  fields.line = select("Select line", [], "", () => {});
  fields.chip = select("Chip", [], "", inputs);
  fields.input = select("Input", [], "", () => {});
  fields.other = select("Other select line", [], "", () => {});
  fields.lane = select("Output lane", [], "", () => {});
  form = h("form", { id: "fault-form", onsubmit: add }, h("div", { class: "row" }, box.node, Object.values(fields).map((f) => f.node), h("button", {}, "Put it in")));
  report = h("pre", { id: "probe-report", tabindex: "0", hidden: true, "aria-label": "Report of the probe" });
  probing = h("button", { type: "button", id: "probe", onclick: probe }, "Probe the select lines");
  node.append(h("h3", {}, "Faults of the virtual bus"), list, form, said, h("h3", {}, "Probe"),
    h("p", { class: "small muted" }, "Reads out the array under well-chosen words, in idle gaps of the timetable, until everything seen is explained."), probing, report);
  for (const [key, f] of Object.entries(fields)) f.box.id = "fault-" + key;
  app.hub.on("array", () => {
    const lines = (app.array.select_lines ?? []).map((l) => [l, l]);
    setOptions(fields.line.box, lines);
    setOptions(fields.other.box, lines, lines[1]?.[0]);
    setOptions(fields.chip.box, (app.array.chips ?? []).map((c) => [c.name, c.name]));
    setOptions(fields.lane.box, (app.array.lanes ?? []).map((l) => [l.name, l.name]));
    inputs();
    load();
    recall();
  });
  app.hub.on("live", load);
  enable();
}

function inputs() {
  setOptions(fields.input.box, (app.chips.get(fields.chip.box.value)?.selects ?? []).map((l, i) => [String(i), `${i}, on ${l}`]));
}

function enable() {
  const needs = kinds[kind].slice(1);
  for (const [key, f] of Object.entries(fields)) f.node.hidden = !needs.includes(key);
}

async function load() {
  const none = (why) => {
    form.hidden = true;
    list.replaceChildren(h("li", { class: "muted" }, why));
  };
  if (app.status && app.status.bus !== "virtual") return none("Only a virtual bus can be given faults.");
  try {
    show(await call("FaultService", "ListFaults"));
    form.hidden = false;
  } catch (e) {
    none(e.message);
    if (!e.code) console.error(e);
  }
}

function show(got) {
  now = got.faults ?? [];
  const remove = (i) => h("button", { type: "button", class: "small", onclick: () => put(now.filter((_, j) => j !== i)), "aria-label": `Clear: ${describe(now[i])}` }, "Clear");
  list.replaceChildren(...(now.length ? now.map((f, i) => h("li", {}, h("span", {}, `Test: ${describe(f)}`), " ", remove(i))) : [h("li", { class: "muted" }, "None: the bus is fault-free.")]),
    num(got.contentions) ? h("li", { class: "bad" }, `Two chips began to drive one output lane ${count(got.contentions, "time")}; on a real bus that can destroy them.`) : "");
  mark(now);
}

function add(e) {
  e.preventDefault();
  const fault = { kind: PREFIX + kind }, needs = kinds[kind].slice(1);
  if (needs.includes("line")) fault.line = fields.line.box.value;
  if (needs.includes("other")) fault.other_line = fields.other.box.value;
  if (needs.includes("chip")) fault.chip = fields.chip.box.value;
  if (needs.includes("input")) fault.input = Number(fields.input.box.value);
  if (needs.includes("lane")) fault.lane = fields.lane.box.value;
  put([...now, fault]);
}

async function put(list) {
  try {
    await (list.length ? call("FaultService", "SetFaults", { faults: list }) : call("FaultService", "ClearFaults"));
    app.say(said, "ok", list.length ? `The bus has ${count(list.length, "fault")} now.` : "The bus is fault-free now.");
    await load();
  } catch (e) {
    app.say(said, "bad", e.message);
    if (!e.code) console.error(e);
  }
}

// recall shows the last probe of this window again, where it was of this array.
function recall() {
  let kept;
  try {
    kept = JSON.parse(sessionStorage.getItem(KEPT));
  } catch {
    // as if there were none
  }
  if (!kept || kept.array !== app.status?.identity?.array_digest || probing.disabled) return probed([]);
  report.hidden = false;
  text(report, `Probed ${clock(kept.at)}.\n${kept.report}`);
  probed(kept.chips);
}

async function probe() {
  probing.disabled = true;
  report.hidden = false;
  text(report, "The probe waits for its first gap…");
  try {
    for await (const m of stream("ProbeService", "ProbeSelects", {}, AbortSignal.timeout(120000))) {
      if (m.progress) text(report, `${count(m.progress.readouts, "readout")} so far; ${count(m.progress.remaining, "set")} of faults still possible…`);
      if (!m.result) continue;
      text(report, m.result.report ?? "");
      const chips = m.result.chips ?? [];
      probed(chips);
      sessionStorage.setItem(KEPT, JSON.stringify({ array: app.status?.identity?.array_digest, at: new Date().toISOString(), report: m.result.report, chips }));
    }
  } catch (e) {
    text(report, `The probe ended: ${e.message}`);
    if (!e.code && e.name !== "TimeoutError") console.error(e);
  }
  probing.disabled = false;
}
