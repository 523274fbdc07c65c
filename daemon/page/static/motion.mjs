// Motion: how each picture moves, as an arrow over its frame, and how the body turns, heads and comes near, as a small
// instrument. It is asked for while it is unfolded, and costs nothing else.

import { stream } from "./api.mjs";
import { byID, h, s, text } from "./dom.mjs";
import { arrow, dial, facts, reason } from "./flow.mjs";
import { pictureOptions, pictures } from "./frames.mjs";
import { Feed } from "./link.mjs";
import { num } from "./units.mjs";

const EVERY = "0.2s"; // of bus time between two estimates of a task
const OLD_MS = 2500; // after which what was told is no longer shown

let app, box, said, list, picture, feed, told = 0; // when the numbers that are shown came
const arrows = new Map(); // by chip: { node, at }

export function start(a) {
  app = a;
  said = h("p", { id: "motion-said", class: "muted small", role: "status" });
  list = h("dl", { class: "facts pairs", id: "motion-facts" });
  picture = s("svg", { id: "motion-dial", viewBox: "-1.15 -1.15 2.3 2.3", role: "img", "aria-label": "From above, ahead is up" });
  box = h("details", { id: "motion", ontoggle: () => feed.want(box.open) }, h("summary", {}, "Motion"), h("div", { class: "instrument" }, picture, h("div", {}, list, said)));
  byID("tiles").before(box);
  feed = new Feed(app.link, app.hub, (signal) => {
    text(said, "Waiting for an estimate…");
    const task = pictureOptions.task;
    return stream("MotionService", "WatchMotion", { tasks: task ? [task] : [], least_interval: EVERY }, signal);
  }, onEstimate, (e) => text(said, e.message));
  feed.want(false);
  app.hub.on("task", () => {
    if (told) forget(); // what was told is of another task
    if (box.open) feed.restart();
  });
  app.hub.on("tick", () => {
    const now = performance.now();
    for (const [chip, shown] of arrows) if (!box.open || now - shown.at > OLD_MS) clear(chip);
    if (told && now - told > OLD_MS) forget();
  });
  app.hub.on("array", () => {
    arrows.clear(); // their tiles have gone
    if (told) forget();
  });
}

// forget shows no numbers any more: those of a stream that fell silent are not how the body moves now.
function forget() {
  told = 0;
  delete box.dataset.at;
  delete box.dataset.told;
  list.replaceChildren();
  draw({ near: [] });
  if (said.textContent.startsWith("By task")) text(said, `No estimate came for ${OLD_MS / 1000} s: what the last one told is not shown any more.`);
}

function clear(chip) {
  arrows.get(chip).node.remove();
  arrows.delete(chip);
}

function onEstimate({ estimate }) {
  if (!estimate || !box.open) return;
  for (const c of estimate.chips ?? []) over(c, estimate.task);
  if (!estimate.body?.told && performance.now() - num(box.dataset.at) < OLD_MS) return; // another task told something
  told = performance.now();
  box.dataset.at = String(estimate.body?.told ? performance.now() : 0);
  box.dataset.told = String(Boolean(estimate.body?.told));
  list.replaceChildren(...facts(estimate).map(([k, v]) => h("div", {}, h("dt", {}, k), h("dd", {}, v))));
  draw(dial(estimate, (chip) => app.chips.has(chip) ? num(app.chips.get(chip).mount?.yaw_deg) : undefined));
  text(said, `By task ${estimate.task}. A robot must not rely on this alone.`);
}

// over draws how the picture of a chip moved over its frame: an arrow four times as long, or why there is none.
function over(c, task) {
  const p = pictures(c.chip).get(`${task} / ${c.view}`), die = document.querySelector(`.tile[data-chip="${CSS.escape(c.chip)}"] .die`);
  if (!die) return;
  if (!arrows.has(c.chip)) arrows.set(c.chip, { node: s("svg", { class: "flow", viewBox: "-50 -50 100 100", "aria-hidden": "true" }) });
  const shown = arrows.get(c.chip), a = arrow(c, p?.frame);
  if (shown.task !== task && !a && performance.now() - (shown.at ?? 0) < OLD_MS) return; // another task told something
  Object.assign(shown, { at: performance.now(), task });
  if (shown.node.parentElement !== die) die.append(shown.node);
  shown.node.dataset.state = a ? "told" : reason(c);
  if (!a) return shown.node.replaceChildren(s("text", { y: "46", "text-anchor": "middle" }, reason(c)));
  const x = 100 * a.x, y = 100 * a.y, long = Math.hypot(x, y) || 1, wing = Math.min(9, long / 2), back = { x: (x / long) * wing, y: (y / long) * wing };
  shown.node.replaceChildren(s("path", { d: `M0 0 L${x} ${y} M${x - back.x - back.y / 2} ${y - back.y + back.x / 2} L${x} ${y} L${x - back.x + back.y / 2} ${y - back.y - back.x / 2}` }), s("circle", { r: "2" }));
}

function draw(d) {
  const end = d.turn === undefined ? undefined : { x: -Math.sin((d.turn * Math.PI) / 180), y: -Math.cos((d.turn * Math.PI) / 180) };
  picture.replaceChildren(
    s("circle", { class: "rim", r: "1" }), s("path", { class: "body", d: "M0 -.16 L.1 .12 L-.1 .12 Z" }),
    ...d.near.map((n) => s("line", { class: "near", x1: n.x, y1: n.y, x2: n.x * (1 - 0.6 * n.long), y2: n.y * (1 - 0.6 * n.long) }, s("title", {}, n.chip))),
    end && Math.abs(d.turn) > 0.5 ? s("path", { class: "turn", d: `M0 -1.08 A1.08 1.08 0 0 ${d.turn > 0 ? 0 : 1} ${1.08 * end.x} ${1.08 * end.y}` }) : "",
    d.heading ? s("line", { class: "heading", x1: 0, y1: 0, x2: 0.85 * d.heading.x, y2: 0.85 * d.heading.y }) : "");
}
