// A calibration in guided steps: the levels of `facetctl calibrate run`, with its words. The daemon keeps the session, so
// that it goes on after the page was loaded anew, or after it was begun by a command.

import { call, stream } from "./api.mjs";
import { byID, h, select, setOptions, text } from "./dom.mjs";
import { ofOneClass } from "./keep.mjs";
import { TargetPicker } from "./taskform.mjs";
import { count, num } from "./units.mjs";

const methods = { UNSPECIFIED: "as the pixels and levels suggest", OFFSET: "offset", OFFSET_GAIN: "offset, gain", LOG_RESPONSE: "log response" };
const PREFIX = "CALIBRATION_METHOD_", KEY = "facetd-calibration-levels";
const luxText = (lux) => (lux === 0 ? "dark" : `${lux} lux`);
let app, form, source, target, levelsIn, framesIn, method, said, place, light, session, planned = [], busy = false;

export function start(a) {
  app = a;
  const node = byID("calibrate");
  source = select("Chips and views", [["", "of a target, plain"]], "", () => (target.node.hidden = target.chips.hidden = source.box.value !== ""));
  source.box.id = "calibrate-source";
  target = new TargetPicker(app, "calibrate", () => {});
  levelsIn = h("input", { id: "calibrate-levels", size: "22", value: "dark, 1, 10, 100", spellcheck: "false", autocomplete: "off", title: "in lux; 0 or dark is covered chips" });
  framesIn = h("input", { id: "calibrate-frames", type: "number", min: "2", max: "4096", value: "16" });
  method = select("Method", Object.entries(methods), "UNSPECIFIED", () => {});
  light = h("label", { hidden: true }, h("input", { type: "checkbox", id: "calibrate-light" }), " set the light of the virtual bus instead of asking for it");
  said = h("p", { class: "said", id: "calibrate-said", role: "status" });
  place = h("ol", { class: "steps", id: "calibrate-steps" });
  form = h("form", { id: "calibrate-form", onsubmit: begin }, h("div", { class: "row" }, source.node, target.node), target.chips,
    h("div", { class: "row" }, h("label", {}, "Levels in lux ", levelsIn), h("label", {}, "Frames at each ", framesIn), method.node), h("div", { class: "row" }, light, h("button", { class: "main", id: "calibrate-start" }, "Begin")));
  node.append(h("p", { class: "small muted" }, "The illumination must be uniform over every chip (an integrating sphere, or a diffuser close by), and the array warm. Running tasks go on."), form, said, place);
  app.hub.on("array", () => {
    target.set(ofOneClass(app));
    light.hidden = app.status?.bus !== "virtual";
  });
  app.hub.on("plan", () => setOptions(source.box, [["", "of a target, plain"], ...(app.plan?.tasks ?? []).map((t) => [t.name, `of the task ${t.name}`])]));
  app.hub.on("live", load);
}

// load takes up the session that this window began, or the oldest that is open.
async function load() {
  if (busy) return;
  try {
    const open = (await call("CalibrationService", "ListCalibrations")).sessions ?? [];
    const kept = stored();
    session = open.find((s) => s.id === kept.id) ?? open[0];
    planned = session?.id === kept.id ? kept.levels : [];
    byID("calibrate-frames").value = (session?.id === kept.id && kept.frames) || framesIn.value;
    show();
    if (session) app.say(said, "", `The calibration of ${chipsText()} goes on: ${count(session.levels?.length, "level")} gathered.`);
  } catch (e) {
    form.hidden = e.code === "unimplemented";
    fail(e);
  }
}

function stored() {
  try {
    return JSON.parse(sessionStorage.getItem(KEY)) ?? {};
  } catch {
    return {};
  }
}

const store = () => sessionStorage.setItem(KEY, JSON.stringify({ id: session?.id, levels: planned, frames: num(framesIn.value) }));

const chipsText = () => (session.chips.length <= 4 ? session.chips.join(", ") : count(session.chips.length, "chip"));

function fail(e) {
  app.say(said, "bad", e.message);
  if (!e.code) console.error(e);
}

// luxOf reads one level; undefined where it is none.
function luxOf(word) {
  const t = word.trim().toLowerCase();
  const v = t === "dark" ? 0 : t === "" ? NaN : Number(t);
  return v >= 0 && Number.isFinite(v) ? v : undefined;
}

async function begin(e) {
  e.preventDefault();
  const asked = levelsIn.value.split(/[\s,]+/).filter(Boolean).map(luxOf);
  if (!asked.length || asked.includes(undefined)) return app.say(said, "bad", "Give the illumination levels in lux, such as: dark, 1, 10, 100.");
  if (new Set(asked).size < asked.length) return app.say(said, "bad", "A level is given twice.");
  try {
    const what = source.box.value ? { task: source.box.value } : { target: target.get() };
    session = (await call("CalibrationService", "StartCalibration", { ...what, method: PREFIX + method.box.value })).session;
    planned = asked;
    store();
    app.say(said, "", `Calibrating ${chipsText()}, ${count(framesIn.value, "frame")} at each of ${count(planned.length, "level")}.`);
    show();
    if (byID("calibrate-light").checked) await all();
  } catch (err) {
    fail(err);
  }
}

const gathered = () => (session?.levels ?? []).map((l) => num(l.lux));

// show draws the steps: the levels with what they showed, and then the correction maps.
function show() {
  form.hidden = Boolean(session);
  if (!session) return place.replaceChildren();
  const have = gathered(), levels = [...planned, ...have.filter((l) => !planned.includes(l))];
  const next = levels.find((l) => !have.includes(l));
  const items = levels.map((lux, i) => level(lux, i, levels.length, lux === next));
  const more = h("input", { id: "calibrate-more", size: "6", autocomplete: "off" });
  const last = h("li", {}, h("strong", {}, "correction maps"), " ",
    h("button", { type: "button", class: next === undefined && have.length ? "main" : "", id: "calibrate-finish", disabled: busy || !have.length, onclick: finish }, "Make and activate them"), " ",
    h("button", { type: "button", id: "calibrate-abort", disabled: busy, onclick: abort }, "Give the calibration up"));
  const add = h("form", { class: "row", onsubmit: (e) => {
    e.preventDefault();
    const lux = luxOf(more.value);
    if (lux === undefined) return app.say(said, "bad", "Give the light in lux, or dark.");
    if (!planned.includes(lux)) planned.push(lux);
    store();
    show();
  } }, h("label", {}, "Another level ", more), h("button", { class: "small" }, "Add"));
  place.replaceChildren(...items, last, h("li", { class: "plain" }, add));
}

function level(lux, i, n, next) {
  const got = (session.levels ?? []).find((l) => num(l.lux) === lux);
  const node = h("li", { data: { lux: String(lux) } }, h("strong", {}, `level ${i + 1} of ${n}: ${luxText(lux)}`), " ");
  if (got) {
    const chips = got.chips ?? [], means = chips.map((c) => num(c.mean_codes)), noise = Math.max(0, ...chips.map((c) => num(c.noise_codes)));
    node.append(h("span", { class: "verdict" }, "gathered"), ` mean codes ${Math.min(...means).toFixed(0)} to ${Math.max(...means).toFixed(0)}, noise of a frame at most ${noise.toFixed(2)}`);
    const cautions = chips.flatMap((c) => (c.cautions ?? []).map((t) => `${c.chip}, ${c.view}: ${t}`));
    if (cautions.length) node.append(h("ul", { class: "plainlist" }, cautions.slice(0, 8).map((t) => h("li", { class: "warn" }, t)), cautions.length > 8 ? h("li", {}, `and ${cautions.length - 8} more`) : ""));
  }
  if (next && !busy) {
    const measured = h("input", { size: "6", value: lux === 0 ? "dark" : String(lux), id: "calibrate-lux", autocomplete: "off" });
    node.append(h("form", { class: "row", onsubmit: (e) => {
      e.preventDefault();
      const is = luxOf(measured.value);
      if (is === undefined) return app.say(said, "bad", "Give the light in lux as measured, or dark.");
      planned = planned.map((l) => (l === lux ? is : l));
      store();
      gather(is).catch(fail);
    } }, h("span", {}, lux === 0 ? "the chips covered?" : `uniform illumination of ${luxText(lux)} at the chips?`), h("label", {}, "as measured ", measured), h("button", { class: "main", id: "calibrate-collect" }, "The light is in place")));
  }
  if (busy && next) node.append(h("progress", { id: "calibrate-progress", max: "1", value: "0", "aria-label": "Frames read" }), " ", h("span", { class: "doing muted" }));
  return node;
}

async function gather(lux) {
  busy = true;
  show();
  try {
    const request = { session: session.id, frames: num(framesIn.value), ...(lux === 0 ? { dark: {} } : { lux }) };
    for await (const m of stream("CalibrationService", "CollectLevel", request)) {
      const bar = byID("calibrate-progress");
      if (bar) {
        bar.value = num(m.frames_done) / Math.max(1, num(m.frames_total));
        text(bar.parentElement.querySelector(".doing"), m.state === "ILLUMINATION_STATE_SETTLING" ? "until frames no longer drift…" : `${num(m.frames_done)} of ${num(m.frames_total)} frames`);
      }
      if (m.level) session.levels = [...(session.levels ?? []).filter((l) => num(l.lux) !== num(m.level.lux)), m.level];
    }
    app.say(said, "ok", `${luxText(lux)} is gathered.`);
  } finally {
    busy = false;
    show();
  }
}

// all gathers every level of a virtual bus under the light that it sets, and puts the present one back.
async function all() {
  const scene = (await call("SceneService", "GetScene")).environment?.scene;
  try {
    await call("SceneService", "SetScene", { scene }); // better no calibration than a lost scene
  } catch (e) {
    throw Object.assign(new Error(`the present light, ${scene}, could not be put back afterwards: ${e.message}`), { code: e.code });
  }
  try {
    for (const lux of planned.filter((l) => !gathered().includes(l))) {
      const set = await call("SceneService", "SetScene", { scene: `uniform:${lux}` });
      await gather(lux);
      const is = await call("SceneService", "GetScene");
      if (JSON.stringify(is.environment) !== JSON.stringify(set.environment)) {
        throw Object.assign(new Error("somebody else changed the light or the temperature while this level was gathered: calibrate again while nobody else does"), { code: "aborted" });
      }
    }
    await finish();
  } finally {
    await call("SceneService", "SetScene", { scene });
  }
}

async function finish() {
  try {
    const got = await call("CalibrationService", "FinishCalibration", { session: session.id }, { limitMs: 120000 });
    const failures = got.failures ?? [];
    end();
    app.say(said, failures.length ? "warn" : "ok", `${count(got.correction_maps?.length, "correction map")} made and active.` +
      ((got.correction_maps ?? []).some((m) => (m.levels ?? []).length === 1) ? " By one level a pixel that is stuck where the others are there passes for a good one: calibrate with a second level to find such." : "") +
      failures.map((f) => ` No correction map for ${f.chip}, ${f.view}: ${f.reason}.`).join(""));
    app.hub.emit("maps");
  } catch (e) {
    fail(e);
  }
}

async function abort() {
  try {
    await call("CalibrationService", "AbortCalibration", { session: session.id });
    end();
    app.say(said, "", "The calibration was given up; no correction map changed.");
  } catch (e) {
    if (e.code === "not_found") end();
    fail(e);
  }
}

function end() {
  session = undefined;
  planned = [];
  sessionStorage.removeItem(KEY);
  show();
}
