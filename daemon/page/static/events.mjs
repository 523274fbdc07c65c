// The journal of events, as they happen.

import { stream } from "./api.mjs";
import { byID, h, seen, select, text } from "./dom.mjs";
import { Feed } from "./link.mjs";
import { clock, count, num, words } from "./units.mjs";

const MOST = 300;
const FEW = 6; // chips that are named of an event
const grave = { SEVERITY_INFO: ["info", "i"], SEVERITY_WARNING: ["warning", "!"], SEVERITY_ERROR: ["error", "✕"] };
const order = ["SEVERITY_INFO", "SEVERITY_WARNING", "SEVERITY_ERROR"];
let app, list, least = "SEVERITY_INFO", last = 0, journal = "", lost = 0, empty;

export function start(a) {
  app = a;
  const filter = select("Show", [["SEVERITY_INFO", "all"], ["SEVERITY_WARNING", "warnings and errors"], ["SEVERITY_ERROR", "errors"]], least, (v) => {
    least = v;
    apply();
  });
  filter.box.id = "events-filter";
  byID("events-tools").append(filter.node);
  list = h("ol", { class: "events", id: "events-list", tabindex: "0", "aria-label": "Events, newest first" });
  empty = h("p", { class: "empty" }, "No events yet.");
  byID("events-body").append(empty, list);
  const feed = new Feed(app.link, app.hub, (signal) => stream("EventService", "StreamEvents", { after_sequence: String(last), journal_id: last ? journal : "" }, signal), (m) => {
    if (num(m.dropped)) show({ severity: "SEVERITY_WARNING", text: `${count(m.dropped, "event")} lost because this page was slow` });
    if (num(m.missed)) show({ severity: "SEVERITY_WARNING", text: `${count(m.missed, "event")} before this one are not shown` });
    lost += num(m.dropped);
    journal = m.journal_id;
    show(m.event);
  }, (e) => {
    if (e.code === "out_of_range") again(); // of another journal, whose numbers begin anew
    if (e.code === "unimplemented") text(empty, "This daemon keeps no journal of events.");
  });
  feed.wanted = false;
  seen(byID("events"), () => feed.want(true), () => feed.want(false));
}

// again begins the list anew.
function again() {
  last = 0;
  list.replaceChildren();
}

function show(e) {
  const seq = num(e.sequence);
  if (seq && seq <= last) return;
  last = seq || last;
  empty.hidden = true;
  const [word, sign] = grave[e.severity] ?? ["event", "·"];
  const facts = Object.entries(e.fields ?? {}).map(([k, v]) => `${k} ${v.text ?? v.integer ?? v.number ?? ""}`).join(", ");
  const item = h("li", { data: { severity: e.severity, sequence: seq } },
    h("span", { class: "sign", title: word }, sign, h("span", { class: "hidden" }, word)),
    h("time", { datetime: e.time ?? "" }, e.time ? clock(e.time) : ""),
    h("span", { class: "what" }, h("b", {}, words(e.kind, "EVENT_KIND_")), " ", e.text ?? "",
      num(e.count) > 1 ? h("span", { class: "muted" }, ` ${num(e.count)} times`) : "",
      e.task && !(e.text ?? "").includes(e.task) ? h("span", { class: "muted" }, ` task ${e.task}`) : "",
      (e.chips ?? []).length ? h("span", { class: "muted" }, ` ${e.chips.length > FEW ? `${e.chips.slice(0, FEW - 1).join(", ")} and ${e.chips.length - FEW + 1} more` : e.chips.join(", ")}`) : "",
      facts ? h("span", { class: "muted facts-line" }, " " + facts) : ""));
  item.hidden = order.indexOf(e.severity) < order.indexOf(least);
  list.prepend(item);
  while (list.children.length > MOST) list.lastChild.remove();
}

function apply() {
  for (const item of list.children) item.hidden = order.indexOf(item.dataset.severity) < order.indexOf(least);
}
