// Safe stops: the button that asks for one, and what the banner says while one is latched.

import { call } from "./api.mjs";
import { byID, h, text } from "./dom.mjs";
import { count, num } from "./units.mjs";

let app, said, resumeSaid, shown, known;

export function start(a) {
  app = a;
  said = h("p", { class: "said", id: "stop-said", role: "status" });
  resumeSaid = h("p", { class: "said", id: "resume-said", role: "status" });
  shown = h("div", { id: "resume-shown" });
  byID("stop-box").firstElementChild.append(said);
  byID("resume-why").append(shown);
  byID("resume-box").firstElementChild.append(resumeSaid);
  byID("stop").addEventListener("click", () => {
    app.say(said, "", "");
    byID("stop-box").showModal();
  });
  byID("stop-form").addEventListener("submit", (e) => act(e, byID("stop-box"), said, "Stopping…", stop));
  byID("resume-form").addEventListener("submit", (e) => act(e, byID("resume-box"), resumeSaid, "Resuming…", resume));
}

// act makes the call of a box, which stays open with what went wrong.
async function act(e, box, where, doing, ask) {
  if (e.submitter?.value === "not") return;
  e.preventDefault();
  app.say(where, "", doing);
  try {
    await ask();
    box.close();
  } catch (err) {
    app.say(where, "bad", err.message);
    if (!err.code) console.error(err);
  }
}

async function stop() {
  await call("SafeStopService", "StopArray", { reason: byID("stop-reason").value.trim() });
  byID("stop-reason").value = "";
}

const resume = () => call("SafeStopService", "ResumeArray", { revision: known.revision });

// openResume shows who stopped the array and asks whether it is safe to go on. What is resumed is
// what was shown: whoever asks for a stop meanwhile keeps the array stopped.
export function openResume() {
  known = app.status.safe_stop;
  app.say(resumeSaid, "", "");
  const hidden = num(known.requests) - known.reasons.length;
  shown.replaceChildren(
    h("ul", {}, known.reasons.map((r) => h("li", {}, who(r))), hidden > 0 && h("li", {}, `and ${count(hidden, "request")} more between the last two`)),
    h("p", {}, lines(known)), h("p", {}, kept(known)));
  byID("resume-box").showModal();
}

const when = (r) => new Date(r.time).toISOString().replace("T", " ").replace(/\.\d+Z/, " UTC");
const who = (r) => `${r.by}, ${when(r)}: ${r.reason || "without a reason"}`;

function lines(s) {
  if (s.lines?.state === "LINE_STATE_CONFIRMED") return "Every select line is inactive, as the bus has confirmed.";
  return `The bus has not confirmed that the select lines are inactive${s.lines?.reason ? ` (${s.lines.reason})` : ""}: take them for active.`;
}

const kept = (s) => s.stored ? "The stop outlives the daemon." : `The stop does not outlive the daemon: ${s.not_stored_reason}.`;

// stopText is what the banner says.
export function stopText(s) {
  const first = s.reasons[0], more = num(s.requests) - 1;
  return `The array is stopped, by ${who(first)}${more > 0 ? ` (and ${count(more, "request")} more)` : ""}. ${lines(s)}${s.stored ? "" : " " + kept(s)}`;
}

// onStatus follows whether the array is stopped.
export function onStatus(status) {
  const stopped = Boolean(status.safe_stop);
  text(byID("stop"), stopped ? "Stop also" : "Stop");
  if (onStatus.was && !stopped) app.hub.emit("live"); // the streams that ended begin again
  onStatus.was = stopped;
}
