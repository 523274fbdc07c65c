// A correction map as pictures: each pixel's offset, gain and dark term where it lies, and the pixels that are defective.

import { call } from "./api.mjs";
import { colour, h } from "./dom.mjs";
import { lattice, paint } from "./lattice.mjs";
import { spread } from "./range.mjs";
import { age, clock, count, num, seconds, words } from "./units.mjs";

const grey = Uint16Array.from({ length: 256 }, (_, i) => i);

let asked = ""; // the map that was asked for last: answers may come in another order

// made says when a map was made, and how old it is by now.
export const made = (m, maxAge) => `${m.id}, made ${clock(m.create_time)}, ${age(seconds(m.age))} old${maxAge ? `, of at most ${age(maxAge)}` : ""}.`;

// show draws a map, which is one of the list, into a node.
export async function show(app, node, m, maxAge) {
  node.replaceChildren(h("p", { class: "muted" }, `Reading ${m.id}…`));
  asked = m.id;
  let map;
  try {
    map = (await call("CalibrationService", "GetCorrectionMap", { id: m.id, data: true })).correction_map;
    if (asked !== m.id) return;
  } catch (e) {
    if (asked !== m.id) return;
    node.replaceChildren(h("p", { class: "said", data: { kind: "bad" } }, e.message));
    if (!e.code) console.error(e);
    return;
  }
  const data = map.data ?? {}, log = map.method === "CALIBRATION_METHOD_LOG_RESPONSE";
  const planes = [["offset", data.offset, "codes"], ["gain", data.gain, log ? "codes per e-fold" : "of the mean pixel's"], ["dark term", data.dark, "lux"]].filter(([, v]) => v?.length);
  const defects = data.defects ?? [];
  node.replaceChildren(
    h("h3", {}, `${map.chip}, ${map.view || "plain"}: ${words(map.method, "CALIBRATION_METHOD_")}`),
    h("p", { class: "small", id: "map-age" }, made(map, maxAge)),
    h("div", { class: "shots maps" }, planes.map(([name, values, unit]) => plane(app, map, name, values, unit, defects))),
    h("p", { class: "small", id: "map-defects" }, defects.length ? `${count(map.defective_pixels, "defective pixel")}, drawn in the colour of what is bad: ` +
      (map.defects ?? []).map((d) => `${count(d.pixels, words(d.kind, "DEFECT_KIND_"), words(d.kind, "DEFECT_KIND_"))}`).join(", ") + "." : "No pixel is defective."),
    defects.length ? h("details", {}, h("summary", {}, "Where they are"), h("ul", { class: "plainlist tall" }, defects.slice(0, 500).map((d) =>
      h("li", {}, `row ${d.row ?? 0}, column ${d.column ?? 0}: ${(d.kinds ?? []).map((k) => words(k, "DEFECT_KIND_")).join(", ")}`)), defects.length > 500 ? h("li", {}, `and ${defects.length - 500} more`) : "")) : "");
}

// plane draws one number of each pixel; defective pixels do not widen the range.
function plane(app, map, name, values, unit, defects) {
  const wrong = new Set(defects.map((d) => (d.row ?? 0) * map.columns + (d.column ?? 0)));
  const [low, high] = spread(values.filter((_, i) => !wrong.has(i)));
  const places = Math.max(0, Math.min(9, 2 - Math.floor(Math.log10(high - low)))), digits = (v) => v.toFixed(places);
  const codes = Uint16Array.from(values, (v) => Math.max(0, Math.min(255, Math.round((255 * (v - low)) / (high - low)))));
  const lay = lattice({ rows: map.rows, columns: map.columns, arrangement: map.arrangement, window: map.settings?.window }, app.classes.get(map.chip_class));
  const canvas = h("canvas", { width: lay.width, height: lay.height, role: "img", data: { plane: name, low, high },
    "aria-label": `${name} of ${map.chip}: ${digits(low)} to ${digits(high)} ${unit}, ${count(wrong.size, "defective pixel")}` });
  const c = canvas.getContext("2d"), image = c.createImageData(lay.width, lay.height);
  paint(image.data, codes, lay, grey, undefined, 8);
  const [r, g, b] = colour("bad").match(/\d+(\.\d+)?/g).map(Number);
  for (let k = 0; k < lay.width * lay.height; k++) {
    if (wrong.has(lay.index ? lay.index[k] : k)) image.data.set([r, g, b, 255], 4 * k);
  }
  c.putImageData(image, 0, 0);
  return h("figure", {}, canvas, h("figcaption", {}, `${name}: black ${digits(low)}, white ${digits(high)} ${unit}`));
}
