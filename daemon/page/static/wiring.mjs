// The wiring: which chip's inputs are on which select lines, what a word reaches, and what
// is wrong with it.

import { call } from "./api.mjs";
import { byID, h, text } from "./dom.mjs";
import * as faults from "./faults.mjs";
import { count, words } from "./units.mjs";

const active = new Set();
let app, grid, typed, said, rows = new Map(), heads = new Map(), asked = 0, timer;

export function start(a) {
  app = a;
  typed = h("input", { id: "wiring-lines", size: "24", spellcheck: "false", autocomplete: "off", placeholder: "such as fw, x0", oninput: read, "aria-describedby": "wiring-said" });
  said = h("p", { id: "wiring-said", role: "status" }, "Waiting for the array…");
  grid = h("div", { class: "scroll", id: "wiring-grid", tabindex: "0", role: "region", "aria-label": "Chips and select lines" });
  byID("wiring-tools").append(h("label", {}, "Active select lines ", typed), h("button", { type: "button", onclick: () => set([]) }, "None"));
  const side = h("div", { id: "wiring-side" });
  byID("wiring-body").append(said, h("div", { class: "two" }, grid, side));
  faults.start(app, side, mark, probed);
  app.hub.on("array", build);
}

function build() {
  const lines = app.array.select_lines ?? [], chips = app.array.chips ?? [];
  for (const l of active) if (!lines.includes(l)) active.delete(l);
  rows = new Map();
  heads = new Map();
  const head = h("tr", {}, h("th", { scope: "col" }, "Chip"), h("th", { scope: "col" }, "Output lane"), lines.map((line) => {
    const button = h("button", { type: "button", class: "small", "aria-pressed": "false", title: `Select line ${line}: active or not`, onclick: () => toggle(line) }, line);
    heads.set(line, button);
    return h("th", { scope: "col", data: { line } }, button);
  }), h("th", { scope: "col" }, "Under this word"), h("th", { scope: "col", class: "answers" }, "Probed"));
  const body = chips.map((chip) => {
    const state = h("td", { class: "reach" });
    const row = h("tr", { data: { chip: chip.name } },
      h("th", { scope: "row" }, h("button", { type: "button", class: "plain", title: `Only the select lines of ${chip.name}`, onclick: () => set(chip.selects ?? []) }, chip.name)),
      h("td", { class: "muted" }, chip.lane ?? ""),
      lines.map((line) => {
        const inputs = (chip.selects ?? []).flatMap((l, i) => (l === line ? [i] : []));
        return h("td", { class: "wire", data: { line } }, inputs.map((i) => h("span", { class: "dot", title: `input ${i} of ${chip.name}`, data: { input: i } }, String(i))));
      }), state, h("td", { class: "answers" }));
    rows.set(chip.name, { row, state });
    return row;
  });
  grid.replaceChildren(h("table", { id: "wiring-table" }, h("caption", { class: "hidden" }, "Numbers are select inputs, from 0"), h("thead", {}, head), h("tbody", {}, body)));
  refresh();
}

function toggle(line) {
  set(active.has(line) ? [...active].filter((l) => l !== line) : [...active, line]);
}

function set(lines) {
  active.clear();
  const order = app.array?.select_lines ?? [];
  for (const l of order) if (lines.includes(l)) active.add(l);
  typed.value = [...active].join(", ");
  refresh();
}

// read takes the lines as they are typed; a name that is not one is said by the daemon.
function read() {
  active.clear();
  for (const l of typed.value.split(/[\s,]+/)) if (l) active.add(l);
  clearTimeout(timer);
  timer = setTimeout(refresh, 150);
}

async function refresh() {
  for (const [line, button] of heads) button.setAttribute("aria-pressed", active.has(line));
  for (const cell of grid.querySelectorAll("[data-line]")) cell.classList.toggle("on", active.has(cell.dataset.line));
  const turn = ++asked, lines = [...active];
  try {
    const got = await call("ArrayService", "ComputeReach", { lines });
    if (turn !== asked) return;
    const reaches = new Set(got.word?.reaches ?? []);
    show(reaches);
    said.dataset.kind = "";
    const lanes = new Map();
    for (const c of reaches) {
      const lane = app.chips.get(c)?.lane ?? "";
      lanes.set(lane, [...(lanes.get(lane) ?? []), c]);
    }
    const crowded = [...lanes].filter(([, list]) => list.length > 1).map(([lane]) => lane);
    text(said, lines.length === 0 ? "No select line is active: no chip listens. Choose some in the head of the table, or a chip for the word of that chip." :
      `The word ${lines.join(" + ")} reaches ${count(reaches.size, "chip")}${reaches.size ? ": " + [...reaches].join(", ") : ""}.` +
      (crowded.length ? ` It cannot be a readout word: more than one chip would drive output lane ${crowded.join(" and output lane ")}.` : ""));
  } catch (e) {
    if (turn !== asked) return;
    show(new Set());
    app.say(said, "bad", e.message);
    if (!e.code) console.error(e);
  }
}

function show(reaches) {
  for (const [name, { row, state }] of rows) {
    const on = reaches.has(name);
    row.classList.toggle("reached", on);
    text(state, on ? "● listens" : "");
  }
}

// probed shows beside each chip what the last probe measured of it.
function probed(chips) {
  for (const c of chips) {
    const cell = rows.get(c.chip)?.row.querySelector(".answers");
    if (!cell) continue;
    const said = c.not_measured ? "not sampled" : { LANE_LEVEL_DRIVEN: "answers", LANE_LEVEL_IDLE: "silent" }[c.measured] ?? words(c.measured, "LANE_LEVEL_");
    cell.dataset.probed = said;
    cell.title = c.not_measured ?? "";
    text(cell, said);
  }
  for (const cell of grid.querySelectorAll(".answers")) cell.hidden = chips.length === 0;
}

// mark shows the faults of the bus where they are.
function mark(list) {
  for (const node of grid.querySelectorAll(".faulty")) {
    node.classList.remove("faulty");
    node.removeAttribute("aria-description");
  }
  const flag = (node, f) => {
    if (!node) return;
    node.classList.add("faulty");
    node.setAttribute("aria-description", faults.describe(f));
  };
  for (const f of list) {
    for (const line of [f.line, f.kind === "FAULT_KIND_LINES_SWAPPED" ? f.other_line : ""]) if (line && !f.chip) flag(heads.get(line), f);
    if (!f.chip) continue;
    const row = rows.get(f.chip)?.row;
    flag(f.kind.startsWith("FAULT_KIND_INPUT") ? row?.querySelector(`.dot[data-input="${f.input ?? 0}"]`) : row?.querySelector("th button"), f);
  }
}
