// Active correction maps, where the daemon has a service for them: how old each is, and one of them as pictures.

import { call } from "./api.mjs";
import { byID, h, seen, text } from "./dom.mjs";
import * as picture from "./mappicture.mjs";
import { age, count, num, seconds, words } from "./units.mjs";

const SERVICE = "facetd.v1.CalibrationService", EACH_MS = 10000;
let app, node, there = false, before = -EACH_MS, visible, table, pictured, shown = "", asked = 0;

export function start(a) {
  app = a;
  node = byID("maps");
  node.append((table = h("div")), (pictured = h("div", { id: "map-picture" })));
  app.hub.on("maps", refresh); // others were made
  visible = seen(node, refresh);
  app.hub.on("live", look);
  app.hub.on("status", () => visible.visible && performance.now() - before > EACH_MS && refresh());
}

// look asks which services the daemon has; not every daemon makes them.
async function look() {
  try {
    const got = await call("grpc.health.v1.Health", "List");
    there = SERVICE in (got.statuses ?? {});
    byID("calibration").hidden = !there;
    before = -EACH_MS;
  } catch (e) {
    if (!e.code) console.error(e);
  }
}

async function refresh() {
  if (!there || !app.link.live) return;
  before = performance.now();
  const turn = ++asked; // an answer from before must not take the place of a newer one
  try {
    const all = { correction_maps: [] };
    do {
      const { correction_maps: page, ...rest } = await call("CalibrationService", "ListCorrectionMaps", { page_token: all.next_page_token ?? "" });
      Object.assign(all, { next_page_token: undefined }, rest).correction_maps.push(...(page ?? []));
    } while (all.next_page_token);
    if (turn === asked) show(all);
  } catch (e) {
    if (turn !== asked) return;
    table.replaceChildren(h("p", { class: "empty" }, e.message));
    if (!e.code) console.error(e);
  }
}

function show(got) {
  const maps = got.correction_maps ?? [], refused = got.refused ?? [];
  const head = ["Chip, view", "Corrects", "State", "Age", "Pattern before, after", "Defective"], maxAge = seconds(got.max_age);
  // What has the keyboard keeps it.
  const held = table.contains(document.activeElement) ? document.activeElement.dataset.of : undefined;
  const rows = maps.map((m) => h("tr", { data: { map: m.id } }, h("th", { scope: "row", title: m.id }, h("button", { type: "button", class: "plain", "aria-pressed": String(m.id === shown), data: { of: m.id }, onclick: () => choose(m, maxAge) }, m.chip, h("span", { class: "muted" }, ` ${m.view ?? ""}`))),
    h("td", {}, words(m.method, "CALIBRATION_METHOD_")), h("td", { data: { state: m.state === "CORRECTION_MAP_STATE_STALE" ? "warn" : "" } }, words(m.state, "CORRECTION_MAP_STATE_")),
    h("td", { class: "age" }, h("meter", { min: "0", max: "1", value: maxAge ? String(Math.min(1, (seconds(m.age) ?? 0) / maxAge)) : "0", high: "0.999", optimum: "0", "aria-label": `age of ${m.id}` }), " ", h("span", { class: "num" }, age(seconds(m.age)))), h("td", {}, pattern(m.levels)), h("td", {}, count(m.defective_pixels, "pixel"))));
  table.replaceChildren(maps.length ?
    h("div", { class: "scroll" }, h("table", { id: "map-table", "aria-label": "Active correction maps" }, h("thead", {}, h("tr", {}, head.map((t) => h("th", { scope: "col" }, t)))), h("tbody", {}, rows))) :
    h("p", { class: "empty", id: "no-maps" }, "No correction map is active: codes that are asked for corrected stay raw, and say so."),
  refused.length ? h("ul", { class: "plainlist" }, refused.map((r) => h("li", { class: "bad" }, `${r.file} is not used: ${r.reason}`))) : "");
  if (held) table.querySelector(`[data-of="${CSS.escape(held)}"]`)?.focus();
  const now = maps.find((m) => m.id === shown) ?? maps[0];
  if (now && now.id === shown) {
    const said = byID("map-age");
    if (said) text(said, picture.made(now, maxAge)); // it grows older
    return;
  }
  if (now) choose(now, maxAge);
  else pictured.replaceChildren();
}

// choose shows one of them as pictures.
function choose(m, maxAge) {
  shown = m.id;
  for (const button of table.querySelectorAll("[data-of]")) button.setAttribute("aria-pressed", String(button.dataset.of === shown));
  picture.show(app, pictured, m, maxAge);
}

// pattern is the fixed pattern at the level where most is left.
function pattern(levels) {
  const worst = [...(levels ?? [])].sort((a, b) => num(b.after_codes) - num(a.after_codes))[0];
  return worst ? `${num(worst.before_codes).toFixed(2)}, ${num(worst.after_codes).toFixed(2)} codes ${"lux" in worst ? `at ${num(worst.lux)} lux` : "in light of unknown strength"}` : "unknown";
}
