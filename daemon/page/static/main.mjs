// The page: what is shared by its parts, and how they come together.

import { call, token } from "./api.mjs";
import { byID, forgetColours, h, text } from "./dom.mjs";
import { Hub, Link } from "./link.mjs";
import { ageText, BusClock } from "./stats.mjs";
import { count, duration, num, percent, words } from "./units.mjs";
import * as frames from "./frames.mjs";
import * as chip from "./chip.mjs";
import * as rates from "./rates.mjs";
import * as timetable from "./timetable.mjs";
import * as bus from "./bus.mjs";
import * as events from "./events.mjs";
import * as wiring from "./wiring.mjs";
import * as change from "./change.mjs";
import * as keep from "./keep.mjs";
import * as maps from "./maps.mjs";
import * as replay from "./replay.mjs";
import * as stop from "./stop.mjs";
import * as health from "./health.mjs";
import * as motion from "./motion.mjs";
import * as head from "./head.mjs";
import * as bringup from "./bringup.mjs";
import * as calibrate from "./calibrate.mjs";
import * as history from "./history.mjs";
import * as rooms from "./rooms.mjs";

const hub = new Hub();

// app is what the parts share.
const app = {
  hub,
  link: new Link(hub),
  clock: new BusClock(),
  array: undefined, // as the API gives it
  chips: new Map(), // by name
  classes: new Map(), // by name
  plan: undefined,
  epochNS: 0,
  status: undefined,
  // say tells a person, and a screen reader, the outcome of something that was asked for.
  say(node, kind, message) {
    node.dataset.kind = kind;
    text(node, message);
  },
};

let caller; // who this page is for the daemon
async function loadCaller() {
  try {
    caller = (await call("StatusService", "GetStatus")).caller;
  } catch (e) {
    if (!e.code) console.error(e); // the stream says what is wrong
  }
}

let digest = "", tasksSeen = "", loading = false;

// loadArray takes the array again, and tells the parts where it is another.
async function loadArray() {
  const got = await call("ArrayService", "GetArray");
  if (got.digest === digest) return;
  digest = got.digest;
  app.array = got.array ?? {};
  app.chips = new Map((app.array.chips ?? []).map((c) => [c.name, c]));
  app.classes = new Map((app.array.classes ?? []).map((c) => [c.name, c]));
  hub.emit("array");
}

async function loadPlan() {
  const got = await call("PlanService", "GetPlan");
  app.plan = got.plan ?? {};
  app.epochNS = num(got.epoch_bus_ns);
  hub.emit("plan");
}

async function load() {
  if (loading) return;
  loading = true;
  try {
    await loadArray();
    await loadPlan();
  } catch (e) {
    tasksSeen = ""; // with the next status again
    if (!e.code) console.error(e);
  }
  loading = false;
}

function onStatus(status) {
  app.status = status;
  app.clock.note(num(status.bus_ns), performance.now(), status.pace === "PACE_REALTIME");
  const tasks = JSON.stringify([status.state, (status.tasks ?? []).map((t) => [t.task, t.status?.planned_rate_hz])]);
  if (tasks !== tasksSeen) {
    tasksSeen = tasks;
    load();
  }
  showFacts(status);
  stop.onStatus(status);
  showBanner();
}

function showFacts(st) {
  const facts = [
    ["State", words(st.state, "STATE_")],
    ["Bus", st.bus + (st.pace ? ", " + words(st.pace, "PACE_") : "")],
    ["Bus time", (num(st.bus_ns) / 1e9).toFixed(1) + " s"],
    ["Bus used", percent(st.measured_utilization)],
    ["Rule violations", num(st.rule_violations)],
    ["Host off by", duration(st.time_uncertainty_ns)],
    ...(caller ? [["You are", caller.role + (caller.name ? `, ${caller.name}` : "")]] : []),
    ...health.facts(),
    ...head.facts(),
  ];
  const list = byID("facts");
  if (JSON.stringify([...list.children].map((n) => n.lastChild.dataset.fact)) !== JSON.stringify(facts.map(([k]) => k))) {
    list.replaceChildren(...facts.map(([k]) => h("div", {}, h("dt", {}, k), h("dd", { data: { fact: k } }))));
  }
  facts.forEach(([k, v, wrong], i) => {
    const dd = list.children[i].lastChild;
    text(dd, String(v));
    dd.dataset.bad = Boolean(wrong) || (k === "Rule violations" && v > 0) || (k === "State" && st.state !== "STATE_RUNNING");
  });
  text(byID("version"), `facetd ${st.version ?? ""}, ${count(st.streams, "frame stream")} open`);
}

function showLink() {
  const { link } = app, node = byID("link");
  node.dataset.state = link.state;
  const said = {
    loading: "Connecting…",
    live: "Daemon connected",
    lost: "Connection lost",
    barred: "Not allowed",
    paused: "Paused while hidden",
  };
  text(node, said[link.state]);
  document.body.dataset.link = link.state;
  showBanner();
  if (link.state === "barred") askToken(link.reason);
}

// showBanner says what an operator must know before acting on anything here.
function showBanner() {
  const { link, status } = app, node = byID("banner");
  let message = "", action = "";
  if (link.state === "lost") {
    const s = Math.round((performance.now() - link.since) / 1000);
    message = `Connection lost${s > 0 ? ` ${s} s ago` : ""}: ${link.reason}. Everything below is old: do not act on it. It recovers by itself.`;
    action = "Try now";
  } else if (link.state === "barred") {
    message = `The daemon does not let this page read anything: ${link.reason}.`;
    action = "Try now";
  } else if (status?.state === "STATE_FAULT") {
    message = `The bus stopped on an error, and every select line is inactive: ${status.fault}${status.safe_stop ? ` ${stop.stopText(status.safe_stop)}` : ""}`;
  } else if (status?.safe_stop) {
    message = stop.stopText(status.safe_stop);
    action = "Resume…";
  } else if (status?.state === "STATE_STOPPING") {
    message = "The daemon is going down.";
  } else if (num(status?.rule_violations) > 0) {
    const last = status.last_violations?.at(-1);
    message = `${count(status.rule_violations, "bus rule")} violated since the start. ${last ? `Last: ${words(last.rule, "BUS_RULE_")}, ${last.message}` : ""}`;
  }
  node.hidden = message === "";
  if (!node.firstChild) {
    node.append(h("span"), " ", h("button", { type: "button", id: "banner-action", onclick: (e) => e.target.textContent === "Try now" ? app.link.tryNow() : stop.openResume() }));
  }
  text(node.firstChild, message);
  node.lastChild.hidden = action === "";
  if (action) text(node.lastChild, action);
}

function askToken(why) {
  const box = byID("token");
  if (box.open) return;
  text(byID("token-why"), why);
  box.onclose = () => {
    if (box.returnValue !== "use") return;
    token.set(byID("token-in").value.trim());
    byID("token-in").value = "";
    app.link.tryNow();
  };
  box.showModal();
}
app.askToken = askToken;

const themes = { "": "auto", light: "light", dark: "dark" };
function theme(next) {
  const root = document.documentElement;
  if (next) root.dataset.theme = next;
  else delete root.dataset.theme;
  try {
    localStorage.setItem("facetd-theme", next);
  } catch {
    // without storage it holds for this visit
  }
  byID("theme").replaceChildren("Colours: ", themes[next]);
  forgetColours();
  hub.emit("theme");
}

const keys = {
  f: ["frames", "Frames"], r: ["rates", "Rates"], t: ["timetable", "Timetable"], b: ["bus", "Bus"], e: ["events", "Events"],
  w: ["wiring", "Wiring"], c: ["change", "Change tasks"], k: ["keep", "Capture and record"], m: ["calibration", "Correction maps"], g: ["bringup", "Guided bring-up"],
};
const roomKeys = { 1: "watch", 2: "change", 3: "build" };

function onKey(e) {
  if (e.ctrlKey || e.metaKey || e.altKey || e.target.matches("input, select, textarea") || document.querySelector("dialog[open]")) return;
  if (e.key === "?") byID("keys").showModal();
  else if (e.key === "d") byID("theme").click();
  else if (keys[e.key]) rooms.reveal(keys[e.key][0]);
  else if (roomKeys[e.key]) {
    rooms.go(roomKeys[e.key]);
    byID("main").focus({ preventScroll: true });
  } else return;
  e.preventDefault();
}

function listKeys() {
  const rows = [
    ...Object.entries(roomKeys).map(([k, name]) => [k, `enter the room ${rooms.rooms[name]}`]),
    ...Object.entries(keys).map(([k, [, label]]) => [k, "go to " + label]),
    ["d", "change the colours: light, dark, as the system"], ["arrows", "among the chips, and among the segments of the timetable"],
    ["Enter", "show a chip large; choose"], ["Tab", "to the next control"], ["?", "this list"], ["Esc", "close this list"],
  ];
  byID("keys-list").append(...rows.map(([k, what]) => h("div", {}, h("dt", {}, h("kbd", {}, k)), h("dd", {}, what))));
  byID("help").addEventListener("click", () => byID("keys").showModal());
}

let stored = "";
try {
  stored = localStorage.getItem("facetd-theme") ?? "";
} catch {
  // no storage
}
theme(stored in themes ? stored : "");
byID("theme").addEventListener("click", () => {
  const order = Object.keys(themes), now = document.documentElement.dataset.theme ?? "";
  theme(order[(order.indexOf(now) + 1) % order.length]);
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  forgetColours();
  hub.emit("theme");
});
document.addEventListener("keydown", onKey);
listKeys();

for (const part of [history, frames, motion, chip, rates, timetable, bus, events, wiring, change, keep, maps, calibrate, bringup, replay, stop, health, head, rooms]) part.start(app);
hub.on("link", () => {
  if (app.link.live) tasksSeen = ""; // array and plan may be others
  showLink();
});
hub.on("live", loadCaller);
hub.on("status", onStatus);
for (const news of ["health", "recordings"]) hub.on(news, () => app.status && showFacts(app.status)); // at once, that nothing speaks against it
hub.on("tick", showBanner);
// The banner stays below the head, however high that is.
new ResizeObserver(([e]) => document.documentElement.style.setProperty("--head", e.target.offsetHeight + "px")).observe(document.querySelector(".bar"));
app.ageText = ageText;
app.link.start();
