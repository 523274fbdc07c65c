// One capture in an idle gap, recordings, and correction maps where the daemon has them.

import { call } from "./api.mjs";
import { byID, h, seen } from "./dom.mjs";
import { die, pictureOptions, render } from "./frames.mjs";
import { decode } from "./range.mjs";
import { TargetPicker, ViewFields } from "./taskform.mjs";
import { bytes, clock, count, duration, num, toSeconds, words } from "./units.mjs";

let app, target, view, shots, captureSaid, recordSaid, recordList, recordForm, visible, busy = false, before = 0, running = false;

export function start(a) {
  app = a;
  const body = byID("keep-body");
  target = new TargetPicker(app, "shot", () => {});
  view = new ViewFields(app, "shot-view", {}, () => {});
  captureSaid = h("p", { class: "said", id: "capture-said", role: "status" });
  shots = h("div", { class: "shots", id: "shots" });
  body.append(h("h3", {}, "Capture once"), h("p", { class: "small muted" }, "Reads chips of one class in an idle gap of the timetable; no task is disturbed."),
    h("form", { id: "capture-form", onsubmit: capture }, h("div", { class: "row" }, target.node), target.chips, view.node, h("button", { class: "main", id: "capture-button" }, "Capture")), captureSaid, shots);
  records(body);
  visible = seen(body, refresh);
  app.hub.on("array", () => target.set(ofOneClass(app)));
  app.hub.on("live", refresh);
  app.hub.on("status", () => {
    const each = running ? 1000 : 5000;
    if (visible.visible && performance.now() - before > each) refresh();
  });
}

// ofOneClass is a target that one capture can read: all chips where they are of one class, else a group of one class, else
// one chip.
export function ofOneClass({ array }) {
  const chips = array?.chips ?? [], classOf = new Map(chips.map((c) => [c.name, c.class]));
  const alike = (names) => names.length > 0 && new Set(names.map((n) => classOf.get(n))).size === 1;
  if (alike(chips.map((c) => c.name))) return { all: {} };
  const group = (array?.groups ?? []).find((g) => alike(g.chips ?? []));
  if (group) return { group: group.name };
  return chips.length ? { list: { names: [chips[0].name] } } : { all: {} };
}

async function capture(e) {
  e.preventDefault();
  app.say(captureSaid, "", "Waiting for a gap…");
  try {
    const got = await call("FrameService", "CaptureFrames", { target: target.get(), views: [view.get()], codes: pictureOptions.codes });
    const frames = got.frame_set?.frames ?? [];
    app.say(captureSaid, got.frame_set?.failure ? "bad" : "ok", got.frame_set?.failure ?
      `The capture failed: ${got.frame_set.failure}` : `${count(frames.length, "frame")} at ${clock(frames[0]?.first_sample_time)}, after waiting ${duration(got.waited_ns)} for a gap.`);
    shots.replaceChildren(...frames.map(shot));
  } catch (err) {
    app.say(captureSaid, "bad", err.message);
    if (!err.code) console.error(err);
  }
}

function shot(frame) {
  const canvas = h("canvas", { width: 8, height: 8, role: "img", "aria-label": `Capture of ${frame.chip}` });
  const node = h("span", { class: "pic" }, die(canvas));
  render(canvas, { frame, codes: decode(frame.data), bits: frame.significant_bits || 16 }, {});
  return h("figure", {}, node, h("figcaption", {}, `${frame.chip}, ${clock(frame.first_sample_time)}`, frame.correction_note ? h("span", { class: "muted" }, " " + frame.correction_note) : ""));
}

function records(body) {
  recordSaid = h("p", { class: "said", id: "record-said", role: "status" });
  recordList = h("div", { class: "scroll", id: "record-list" });
  const name = h("input", { id: "record-name", placeholder: "the time", size: "14", maxlength: "64", pattern: "[A-Za-z0-9][A-Za-z0-9._\\-]*", spellcheck: "false", title: "letters, digits, . _ and -" });
  const most = h("input", { id: "record-most", type: "number", min: "0", step: "any", placeholder: "no limit" });
  const images = h("input", { id: "record-images", type: "checkbox" });
  const motion = h("input", { id: "record-motion", type: "checkbox" });
  recordForm = h("form", { id: "record-form", onsubmit: (e) => {
    e.preventDefault();
    const options = { images: images.checked, motion: motion.checked };
    if (num(most.value)) options.max_duration = toSeconds(num(most.value) * 1e9);
    act("StartRecording", { name: name.value.trim(), options }, (got) => `Recording ${got.recording?.name} runs.`);
  } }, h("div", { class: "row" }, h("label", {}, "Name ", name), h("label", {}, "End after ", most, " s"), h("label", {}, images, " also as plain images"), h("label", {}, motion, " with motion"), h("button", { class: "main", id: "record-start" }, "Start recording")));
  body.append(h("h3", {}, "Recordings"), recordForm, recordSaid, recordList);
}

async function act(method, request, done) {
  try {
    app.say(recordSaid, "ok", done(await call("RecordService", method, request)));
  } catch (e) {
    app.say(recordSaid, "bad", e.message);
    if (!e.code) console.error(e);
  }
  before = 0;
  refresh();
}

async function refresh() {
  if (busy || !app.link.live) return;
  busy = true;
  before = performance.now();
  try {
    const got = await call("RecordService", "ListRecordings", { page_size: 100 });
    recordForm.hidden = Boolean(got.unavailable);
    if (got.unavailable) recordList.replaceChildren(h("p", { class: "empty" }, `No recordings can be made: ${got.unavailable}.`));
    else showRecords(got.recordings ?? []);
  } catch (e) {
    recordForm.hidden = true;
    recordList.replaceChildren(h("p", { class: "empty" }, e.code === "unimplemented" ? "This daemon makes no recordings." : e.message));
    if (!e.code) console.error(e);
  }
  busy = false;
}

function showRecords(list) {
  running = list.some((r) => r.state === "RECORDING_STATE_RUNNING");
  if (list.length === 0) {
    recordList.replaceChildren(h("p", { class: "empty" }, "No recordings yet."));
    return;
  }
  const stop = (r) => h("button", { type: "button", class: "small", "aria-label": `Stop recording ${r.name}`, onclick: () => act("StopRecording", { name: r.name }, (got) =>
    `Recording ${r.name} ended: ${count(got.recording?.frame_sets, "frame set")}, ${bytes(got.recording?.bytes)}.`) }, "Stop");
  // Buttons stay the same nodes while they are in use, so that the keyboard keeps its place.
  const focused = document.activeElement?.closest("tr")?.dataset.recording;
  const rows = list.map((r) => h("tr", { data: { recording: r.name, state: r.state } }, h("th", { scope: "row" }, r.name),
    h("td", {}, words(r.state, "RECORDING_STATE_"), r.reason ? h("span", { class: "muted" }, `: ${r.reason}`) : ""),
    h("td", {}, String(num(r.frame_sets))), h("td", {}, bytes(r.bytes)), h("td", {}, num(r.lost) ? h("span", { class: "bad" }, count(r.lost, "message")) : "none"),
    h("td", {}, r.state === "RECORDING_STATE_RUNNING" ? stop(r) : "")));
  recordList.replaceChildren(h("table", { id: "record-table", "aria-label": "Recordings" }, h("thead", {}, h("tr", {}, ["Name", "State", "Frame sets", "Size", "Lost", ""].map((t) => h("th", { scope: "col" }, t || h("span", { class: "hidden" }, "Stop"))))), h("tbody", {}, rows)));
  if (focused) rows.find((r) => r.dataset.recording === focused)?.querySelector("button")?.focus();
}
