// What was, as far back as the daemon kept it: curves begin with that, and not with the page.

import { call } from "./api.mjs";
import { byID, h } from "./dom.mjs";
import { placed } from "./stats.mjs";

// spans are how far back curves may reach, in seconds. The first one goes on with each status; longer ones are asked for
// again and again.
const spans = { 90: "90 s", 600: "10 min", 3600: "1 h", 86400: "24 h" };
const LIVE_S = 90, STEPS = 360, KEY = "facetd-span";
let app, got = {}, asked = 0, selects = [], under, wrong = "";

export const history = {
  spanS: LIVE_S,
  // live tells that curves go on with what the page hears.
  get live() {
    return this.spanS === LIVE_S;
  },
  get text() {
    return spans[this.spanS];
  },
  stepMS: 1000,
  // points are those of a quantity of a task or a phase, with their times by the page's clock.
  points: (quantity, of = "") => got[`${quantity} ${of}`] ?? [],
};

export function start(a) {
  app = a;
  const stored = Number(sessionStorage.getItem(KEY));
  if (stored in spans) history.spanS = stored;
  for (const [id, label] of [["rates-span", "Curves: the last"], ["bus-span", "The last"]]) {
    const choice = h("select", { onchange: () => choose(choice.value) }, Object.entries(spans).map(([s, name]) => h("option", { value: s }, name)));
    choice.value = String(history.spanS);
    selects.push(choice);
    byID(id).append(h("label", { class: "muted small" }, label + " ", choice), h("span", { class: "muted small", data: { history: "" } }));
  }
  app.hub.on("live", ask);
  app.hub.on("tick", () => {
    const now = performance.now();
    if (!history.live && app.link.live && now - asked > Math.max(5000, history.stepMS / 2)) ask();
  });
}

function choose(s) {
  history.spanS = Number(s);
  sessionStorage.setItem(KEY, s);
  for (const each of selects) each.value = s;
  ask();
}

async function ask() {
  asked = performance.now();
  under?.abort();
  const mine = (under = new AbortController()), spanS = history.spanS;
  try {
    const answer = await call("HistoryService", "GetHistory", { span: `${spanS}s`, steps: STEPS }, { signal: mine.signal });
    if (mine.signal.aborted) return;
    const stepMS = Number.parseFloat(answer.step) * 1000;
    history.stepMS = stepMS;
    got = {};
    for (const s of answer.series ?? []) {
      got[`${s.quantity.replace("HISTORY_QUANTITY_", "")} ${s.task ?? s.phase?.replace("PHASE_", "") ?? ""}`] = placed(s.runs, answer.steps, stepMS, performance.now());
    }
    wrong = answer.not_kept > 0 ? ` ${answer.not_kept} values were not kept: there are too many tasks for that.` : "";
  } catch (e) {
    if (mine.signal.aborted) return;
    wrong = ` What was before is not known: ${e.message}.`;
    if (!e.code) console.error(e);
  }
  document.querySelectorAll("[data-history]").forEach((n) => (n.textContent = wrong));
  app.hub.emit("history");
}
