// Guided bring-up: the steps of `facetctl bringup`, with its words, questions and pictures. The daemon keeps the run: one
// that was cut off, as by loading the page anew, goes on with the step that it was at.

import { call, stream } from "./api.mjs";
import { byID, h, text } from "./dom.mjs";
import { clock, count, duration, num, words } from "./units.mjs";

// The steps in the order in which they are safe, with what each looks at.
const steps = {
  SUPPLIES: "supplies as you measure them, and every output lane while it is undriven",
  SELECTS: "the probe of the select lines",
  LEVELS: "every chip alone: does it answer, or is it stuck",
  DARK: "a frame of every chip in the dark",
  FLAT: "a frame of every chip in uniform illumination",
  SETTLING: "how long each output lane takes to settle",
  CONVERTERS: "the first conversions after a rest",
  HOLD: "how fast memories fade",
  TRIM: "gain, offset and biases of the chips that have them",
  ORDER: "pixels of chips read by counter in their order",
  SKEW: "whether chips load together",
};
const PREFIX = "BRINGUP_STEP_", KEY = "facetd-bringup", ALL = Object.keys(steps);
const nameOf = (step) => words(step, PREFIX), verdictOf = (v) => (v && v !== "VERDICT_UNSPECIFIED" ? words(v, "VERDICT_") : "");
const levels = { fail: "bad", warn: "warn", pass: "", skipped: "" };
let app, form, boxes, unattended, light, said, list, question, place, patch, runs;
let run, under; // the run that is shown, and the call while it goes on

export function start(a) {
  app = a;
  boxes = new Map(ALL.map((s) => [s, h("input", { type: "checkbox", checked: true, data: { step: s } })]));
  unattended = h("input", { type: "checkbox", id: "bringup-unattended" });
  light = h("label", { hidden: true }, h("input", { type: "checkbox", id: "bringup-light" }), " set the light of the virtual bus instead of asking for it");
  said = h("p", { class: "said", id: "bringup-said", role: "status" });
  question = h("form", { id: "bringup-question", hidden: true, onsubmit: (e) => e.preventDefault() });
  place = h("ol", { class: "steps", id: "bringup-steps" });
  patch = h("details", { hidden: true }, h("summary", {}, "Changes proposed for the array file"), h("p", { class: "small muted" }, "Read the patch, then apply it in the folder of the array file: patch -p1"), h("pre", { id: "bringup-patch", tabindex: "0" }));
  runs = h("div", { class: "row", id: "bringup-runs" });
  form = h("form", { id: "bringup-form", onsubmit: begin },
    h("fieldset", {}, h("legend", {}, "Steps"), h("div", { class: "row" }, [...boxes].map(([s, box]) => h("label", { title: steps[s] }, box, " " + s.toLowerCase())))),
    h("div", { class: "row" }, h("label", {}, unattended, " without questions; the report says so"), light, h("button", { class: "main", id: "bringup-start" }, "Begin")));
  list = h("div", {});
  byID("bringup-body").append(
    h("p", { class: "note" }, "Dies without protection are destroyed by electrostatic discharge and by wrong supplies. Wear a wrist strap, limit the current, bring up supplies before inputs, and never let two chips drive one output lane."),
    form, runs, said, question, place, patch, list);
  app.hub.on("live", load);
  // A browser may keep a page that was left, with its streams: the run would wait for an answer that nobody can give.
  window.addEventListener("pagehide", () => under?.abort());
  app.hub.on("array", () => (light.hidden = app.status?.bus !== "virtual"));
}

// load lists what the daemon keeps, and shows the run that this window showed, or one that was cut off.
async function load() {
  try {
    const got = await call("BringupService", "ListBringups", { page_size: 20 });
    const kept = got.runs ?? [];
    runs.replaceChildren(kept.length ? "Earlier runs:" : "", ...kept.map((r) => h("button", { type: "button", class: "small", data: { run: r.id }, onclick: () => open(r.id) }, `${r.id}: ${soFar(r)}`)));
    const mine = kept.find((r) => r.id === sessionStorage.getItem(KEY)) ?? kept.find((r) => !r.finished);
    if (mine && !under) await open(mine.id);
  } catch (e) {
    app.say(said, "bad", e.message);
    if (!e.code) console.error(e);
  }
}

// soFar is the verdict of a run; one that is not finished has none yet.
const soFar = (r) => (r.finished ? verdictOf(r.verdict) || "all skipped" : `${(r.results ?? []).length} of ${count(r.steps?.length, "step")} done`);

async function open(id) {
  if (under) return;
  try {
    const got = await call("BringupService", "GetBringup", { id });
    show(got.run);
    if (run.finished) return app.say(said, "", `Bring-up ${run.id} of ${run.array}, ${clock(run.start_time)}: ${soFar(run)}.`);
    app.say(said, "warn", `Bring-up ${run.id} was cut off: ${soFar(run)}. What was done is kept. `);
    said.append(goOn(id));
  } catch (e) {
    app.say(said, "bad", e.message);
    if (!e.code) console.error(e);
  }
}

const goOn = (id) => h("button", { type: "button", class: "main", id: "bringup-resume", onclick: () => follow("ResumeBringup", { id }) }, "Go on");

function begin(e) {
  e.preventDefault();
  const asked = ALL.filter((s) => boxes.get(s).checked);
  if (!asked.length) return app.say(said, "bad", "Choose one step at least.");
  follow("StartBringup", { steps: asked.map((s) => PREFIX + s), unattended: unattended.checked, virtual_light: byID("bringup-light").checked });
}

// follow reads the events of a run until it ends; a run goes on only while somebody does.
async function follow(method, request) {
  under = new AbortController();
  byID("bringup-start").disabled = true;
  app.say(said, "", "Waiting for the array…");
  let ended = false, begun = false;
  try {
    for await (const { event: e } of patient(method, request, under.signal)) {
      if (e.started) {
        begun = true;
        show(e.started);
        sessionStorage.setItem(KEY, run.id);
        app.say(said, "", `Bring-up ${run.id} of ${run.array}: ${count(run.steps.length, "step")}. `);
        said.append(h("button", { type: "button", class: "small", id: "bringup-break", onclick: () => under.abort() }, "Break off"));
      } else if (e.progress) progress(e.progress);
      else if (e.question) ask(e.question);
      else if (e.result) {
        question.hidden = true;
        run.results = [...(run.results ?? []).filter((r) => r.step !== e.result.step), e.result];
        show(run);
      } else if (e.ended) {
        ended = true;
        show(e.ended);
        app.say(said, { fail: "bad", warn: "warn" }[verdictOf(run.verdict)] ?? "ok", `Bring-up ${run.id}: ${soFar(run)}. \`facetctl bringup show ${run.id}\` writes the report.`);
      }
    }
  } catch (e) {
    if (!under.signal.aborted) app.say(said, "bad", e.message);
    if (!(e.code || under.signal.aborted)) console.error(e);
  }
  const broken = under.signal.aborted;
  under = undefined;
  question.hidden = true;
  byID("bringup-start").disabled = false;
  if (ended) load();
  else if (broken && begun) await open(run.id);
  else if (run && !run.finished) said.append(" ", goOn(run.id));
}

// patient waits where the daemon has not noticed yet that the window before does not read the run any more.
async function* patient(method, request, signal) {
  for (let tries = 20; ; tries--) {
    try {
      return yield* stream("BringupService", method, request, signal);
    } catch (e) {
      if (method !== "ResumeBringup" || e.code !== "aborted" || !tries) throw e;
      await new Promise((next) => setTimeout(next, 250));
    }
  }
}

function ask(q) {
  const note = h("input", { id: "bringup-note", size: "40", maxlength: "1000", autocomplete: "off" });
  const answer = (proceed) => async () => {
    question.hidden = true;
    try {
      await call("BringupService", "AnswerBringup", { id: run.id, question: q.number, proceed, note: note.value.trim() });
    } catch (e) {
      app.say(said, "bad", e.message);
      if (!e.code) console.error(e);
    }
  };
  question.replaceChildren(h("p", { id: "bringup-text", role: "status" }, h("strong", {}, `[${nameOf(q.step)}] `), q.text),
    h("p", { class: "row" }, h("label", {}, "A note for the report ", note),
      h("button", { type: "button", class: "main", id: "bringup-yes", onclick: answer(true) }, "Yes"), h("button", { type: "button", id: "bringup-no", onclick: answer(false) }, "No: skip this step")));
  question.hidden = false;
}

function progress(p) {
  const node = place.querySelector(`[data-step="${p.step}"]`);
  if (!node) return;
  node.dataset.now = "";
  node.querySelector("progress").hidden = false;
  node.querySelector("progress").value = num(p.done);
  text(node.querySelector(".doing"), p.doing ?? "");
}

// show draws the steps of a run, with what each found; those that were drawn already stay, with their pictures.
function show(next) {
  const drawn = new Map(run?.id === next.id ? [...place.children].map((n) => [n.dataset.step + n.dataset.verdict, n]) : []);
  run = next;
  place.replaceChildren(...(run.steps ?? []).map((step) => {
    const r = (run.results ?? []).find((x) => x.step === step);
    return drawn.get(step + verdictOf(r?.verdict)) ?? item(step, r);
  }));
  patch.hidden = !run.patch;
  text(byID("bringup-patch"), run.patch ?? "");
}

function item(step, r) {
  const name = nameOf(step), verdict = verdictOf(r?.verdict);
  const node = h("li", { data: { step, verdict } }, h("strong", {}, name), " ", h("span", { class: "verdict", data: { level: levels[verdict] ?? "" } }, verdict), " ",
    h("span", {}, r?.summary ?? steps[step.slice(PREFIX.length)] ?? ""));
  if (!r) {
    node.append(" ", h("progress", { max: "1", value: "0", hidden: true, "aria-label": `${name} so far` }), " ", h("span", { class: "doing muted" }));
    return node;
  }
  const wrong = (r.measurements ?? []).filter((m) => m.verdict !== "VERDICT_PASS");
  if (wrong.length) node.append(measurements(wrong, `Out of limits, ${name}`));
  if (r.actions?.length) node.append(h("ul", {}, r.actions.map((t) => h("li", {}, t))));
  for (const p of r.proposals ?? []) node.append(h("p", { class: "small" }, `Proposal: ${p.path}: ${p.value} (now ${p.current || "not given"}): ${p.reason}`));
  if (r.pictures?.length) node.append(h("div", { class: "shots" }, r.pictures.map(picture)));
  const good = (r.measurements ?? []).filter((m) => m.verdict === "VERDICT_PASS");
  if (good.length) node.append(h("details", {}, h("summary", {}, `${count(good.length, "measurement")} within limits`), measurements(good, `Within limits, ${name}`)));
  return node;
}

// picture shows one of the daemon's; it is data alone, and runs no script as an image.
const picture = (p) => h("figure", {}, h("img", { src: `data:${p.media_type === "image/png" ? "image/png" : "image/svg+xml"};base64,${p.data}`, alt: p.title, loading: "lazy" }), h("figcaption", {}, p.title));

const quantity = (v, unit) => (unit === "ns" ? duration(v) : `${Number(num(v).toPrecision(4))} ${unit ?? ""}`.trim());

function limits(m) {
  const low = quantity(m.low, m.unit), high = quantity(m.high, m.unit);
  if (m.low !== undefined && m.high !== undefined) return `${low} to ${high}`;
  return m.low !== undefined ? `at least ${low}` : m.high !== undefined ? `at most ${high}` : "";
}

function measurements(all, caption) {
  const head = ["Verdict", "Of", "Measured", "Value", "Limits", "Why"];
  return h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption }, h("table", { "aria-label": caption }, h("thead", {}, h("tr", {}, head.map((t) => h("th", { scope: "col" }, t)))),
    h("tbody", {}, all.map((m) => h("tr", {}, h("td", {}, h("span", { class: "verdict", data: { level: levels[verdictOf(m.verdict)] ?? "" } }, verdictOf(m.verdict))), h("td", {}, m.subject ?? ""), h("td", {}, m.quantity ?? ""),
      h("td", { class: "num" }, quantity(m.value, m.unit)), h("td", {}, limits(m)), h("td", {}, m.note ?? ""))))));
}
