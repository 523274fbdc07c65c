// The controls of a daemon that plays a recording: pause, play, step, and a time line with what happened on it.

import { call } from "./api.mjs";
import { byID, h, text } from "./dom.mjs";
import { again } from "./rooms.mjs";
import { clock, count, num } from "./units.mjs";

const EACH = 500; // milliseconds between two questions where the replay is
let app, section, where, line, marks, said, pause, play, step, steps, speed, replay, busy = false, before = 0, dragging = false, missing = false;

export function start(a) {
  app = a;
  section = byID("replay");
  where = h("p", { id: "replay-where" });
  line = h("input", { type: "range", id: "replay-line", min: "0", step: "0.001", "aria-label": "Place in the recording, in seconds from its start",
    oninput: () => { dragging = true; show(); }, onchange: () => { dragging = false; seek(num(line.value) * 1e9); } });
  marks = h("div", { id: "replay-marks", class: "marks" });
  said = h("p", { class: "said", id: "replay-said", role: "status" });
  pause = button("replay-pause", "Pause", () => act("PauseReplay", {}));
  play = button("replay-play", "Play", async () => {
    if (replay?.ended) await seek(0); // there is nothing left to play
    await act("ResumeReplay", { speed: Number(speed.value) });
  });
  steps = h("input", { type: "number", id: "replay-steps", min: "1", max: "1000", step: "1", value: "1", size: "4" });
  step = button("replay-step", "Step", () => act("StepReplay", { frame_sets: num(steps.value) || 1 }));
  speed = h("select", { id: "replay-speed" }, [["0.1", "a tenth"], ["1", "its own pace"], ["4", "4 times"], ["16", "16 times"], ["0", "as fast as possible"]]
    .map(([v, name]) => h("option", { value: v, selected: v === "1" }, name)));
  byID("replay-body").append(where, line, marks, h("div", { class: "row" }, pause, play, h("label", {}, "at ", speed), step, h("label", {}, steps, " frame sets"),
    button("replay-begin", "To the start", () => seek(0))), said);
  app.hub.on("status", (status) => {
    unfold(!missing && status.bus === "replay");
    if (!section.hidden && performance.now() - before > EACH) refresh();
  });
  app.hub.on("live", refresh);
}

const button = (id, name, onclick) => h("button", { type: "button", id, onclick }, name);

// unfold shows the part, or puts it away.
function unfold(on) {
  if (section.hidden === !on) return;
  section.hidden = !on;
  again();
}

async function refresh() {
  if (busy || !app.link.live || app.status?.bus !== "replay") return;
  busy = true;
  before = performance.now();
  try {
    take((await call("ReplayService", "GetReplay")).replay);
    await loadEvents();
  } catch (e) {
    missing = e.code === "unimplemented";
    if (!e.code) console.error(e);
  }
  busy = false;
}

// act makes a call that answers with the replay.
async function act(method, request) {
  try {
    take((await call("ReplayService", method, request)).replay);
    app.say(said, "", "");
  } catch (e) {
    app.say(said, "bad", e.message);
    if (!e.code) console.error(e);
  }
}

async function seek(fromStartNS) {
  await act("SeekReplay", { bus_ns: String(Math.round(num(replay?.first_bus_ns) + fromStartNS)) });
  if (replay) app.say(said, "ok", `Landed at ${seconds(at(replay))} of ${seconds(length(replay))}.`);
}

const at = (r) => num(r.recorded_bus_ns) - num(r.first_bus_ns);
const length = (r) => num(r.last_bus_ns) - num(r.first_bus_ns);
const seconds = (ns) => (ns / 1e9).toFixed(3) + " s";

function take(r) {
  if (!r) return;
  replay = r;
  line.max = String(length(r) / 1e9);
  if (!dragging) line.value = String(at(r) / 1e9);
  pause.disabled = Boolean(r.paused || r.ended);
  step.disabled = Boolean(r.ended);
  show();
}

function show() {
  const state = replay.ended ? "The recording has ended: nothing more comes. Choose a place on the line to see it again" :
    replay.paused ? "Paused" : num(replay.speed) === 0 ? "Playing as fast as possible" : `Playing at ${num(replay.speed)} times its own pace`;
  section.dataset.state = replay.ended ? "ended" : replay.paused ? "paused" : "playing";
  const place = dragging ? num(line.value) * 1e9 : at(replay);
  text(where, `${state}${replay.loop ? ", again and again" : ""}. ${seconds(place)} of ${seconds(length(replay))}, ${count((replay.files ?? []).length, "file")}.`);
}

// loadEvents puts what the journal has of the recording's time on the line; where much happened, what matters most.
let shown = -1;
async function loadEvents() {
  const got = await call("EventService", "ListEvents", { page_size: 500 });
  const events = (got.events ?? []).filter((e) => e.bus_ns !== undefined && num(e.bus_ns) >= num(replay.first_bus_ns) && num(e.bus_ns) <= num(replay.last_bus_ns));
  if (events.length === shown) return;
  shown = events.length;
  const grave = ["SEVERITY_INFO", "SEVERITY_WARNING", "SEVERITY_ERROR"];
  events.sort((a, b) => grave.indexOf(b.severity) - grave.indexOf(a.severity));
  marks.replaceChildren(...events.slice(0, 100).map((e) => {
    const ns = num(e.bus_ns) - num(replay.first_bus_ns);
    const mark = h("button", { type: "button", class: "mark", data: { severity: e.severity ?? "SEVERITY_INFO" }, title: `${seconds(ns)}, ${clock(e.time)}: ${e.text}`,
      "aria-label": `Go to ${seconds(ns)}: ${e.text}`, onclick: () => seek(ns) });
    mark.style.left = `${100 * ns / Math.max(length(replay), 1)}%`;
    return mark;
  }));
}
