// What the head says of recordings and of the device that drives the array. A recording is nothing abnormal and has no
// colour; its end is always one click away. A device that is away is.

import { call } from "./api.mjs";
import { byID, h, text } from "./dom.mjs";
import { count, duration, num } from "./units.mjs";

const EACH_MS = 1000;
const SEEN = "facetd-failed-recordings", LONG_AGO_MS = 24 * 3600e3;
const gone = new Set(); // recordings that ended since the health last told of those that run
let app, device, before = 0, asking = false, said, failed;

export function start(a) {
  app = a;
  said = h("span", { class: "small", role: "status", id: "recording-said" });
  failed = h("span", { id: "recording-failed", role: "status" });
  byID("recording-now").append(h("span", { id: "recording-list", class: "row" }), failed, said);
  app.hub.on("live", broken);
  app.hub.on("health", recordings);
  app.hub.on("status", (st) => {
    if (st.bus === "bridge" && performance.now() - before > EACH_MS) ask();
    if (st.bus !== "bridge") device = undefined;
  });
}

async function ask() {
  if (asking) return;
  asking = true;
  before = performance.now();
  try {
    device = (await call("DeviceService", "GetDevice")).device;
  } catch (e) {
    device = undefined;
    if (!e.code) console.error(e);
  }
  asking = false;
}

// running are those of recordings that have not ended meanwhile.
export const running = (told = []) => told.filter((name) => !gone.has(name));

// facts are those of the device: its link and its clock. Only what is not as usual is marked.
export function facts() {
  if (!device) return [];
  const c = device.clock, losses = num(device.counters?.losses);
  const link = device.connected ? `up${losses ? `, lost ${count(losses, "time")} before` : ""}` : `away since ${new Date(device.since).toISOString().slice(11, 19)} UTC${device.last_loss ? `: ${device.last_loss}` : ""}`;
  const out = [["Link", link, !device.connected]];
  // Of a device that is away the clock is not known, whatever was said of it last.
  const drift = c?.drift_ppm === undefined ? "" : `, ${num(c.drift_ppm).toFixed(1)} ± ${num(c.drift_uncertainty_ppm).toFixed(1)} ppm`;
  if (c && device.connected) out.push(["Its clock", `± ${duration(c.uncertainty_ns)}${drift}`, false]);
  return out;
}

// recordings shows those that run, each with the button that ends it, in every room.
function recordings({ recordings: told = [] }) {
  for (const name of gone) if (!told.includes(name)) gone.delete(name);
  const names = running(told);
  const list = byID("recording-list");
  const before = [...list.children].map((n) => n.dataset.recording);
  if (before.join("\n") === names.join("\n")) return;
  if (before.some((name) => !names.includes(name))) broken();
  if (names.some((name) => !before.includes(name))) text(said, ""); // what is said of one that ended stays to be read
  list.replaceChildren(...names.map((name) => h("span", { class: "recording", data: { recording: name } }, `● Recording ${name} `,
    h("button", { type: "button", class: "small", "aria-label": `End the recording ${name}`, onclick: () => end(name) }, "End it"))));
}

const seen = () => (sessionStorage.getItem(SEEN) ?? "").split("/");

// broken says which recordings ended on an error, until somebody has seen it: whoever counts on one must know.
async function broken() {
  try {
    const got = await call("RecordService", "ListRecordings", { page_size: 100 });
    const lost = (got.recordings ?? []).filter((r) => r.state === "RECORDING_STATE_FAILED" && !seen().includes(r.name) && !(Date.now() - Date.parse(r.end_time) > LONG_AGO_MS));
    failed.replaceChildren(...lost.slice(0, 1).map((r) => h("span", { class: "failed" },
      `✕ The recording ${r.name} ended by itself: ${r.reason}. What was written before stays. ${/space|quota/.test(r.reason) ? "Delete recordings or free the disk otherwise" : "Check the disk of the daemon's data folder"}, then begin another. `,
      h("button", { type: "button", class: "small", onclick: () => {
        sessionStorage.setItem(SEEN, [...seen(), r.name].join("/"));
        broken();
      } }, "I have seen it"))));
  } catch (e) {
    failed.replaceChildren(); // a daemon without recordings
    if (!e.code) console.error(e);
  }
}

async function end(name) {
  try {
    const got = await call("RecordService", "StopRecording", { name });
    gone.add(name);
    recordings({ recordings: [...byID("recording-list").children].map((n) => n.dataset.recording) });
    app.hub.emit("recordings");
    text(said, `${name} ended with ${count(got.recording?.frame_sets, "frame set")}.`);
  } catch (e) {
    text(said, e.message);
    if (!e.code) console.error(e);
  }
}
