import assert from "node:assert/strict";
import test from "node:test";

// As much of a document as the form needs to be made and read.
class Element {
  constructor() {
    Object.assign(this, { children: [], style: {}, dataset: {}, value: "" });
  }
  append(...more) { this.children.push(...more); }
  replaceChildren(...all) {
    this.children = all;
    const chosen = all.find((o) => o?.selected);
    if (chosen) this.value = chosen.value;
  }
  setAttribute(name, value) { this[name] = value; }
  addEventListener() {}
}
globalThis.document = { createElement: () => new Element(), createElementNS: () => new Element(), body: new Element(), documentElement: new Element() };
const { ViewFields } = await import("../static/taskform.mjs");

// A view of every field that the schema has, as JSON.
const whole = {
  name: "spot", binning: { rows: 2, columns: 4 }, smoothing_steps: 3, shares: [{ columns: "10101010", rows: "" }],
  window: { row: 1, column: 2, rows: 3, columns: 4, row_step: 2, column_step: 4 }, trim: { pixel_bias: 5 },
  movable: { row: { low: 0, high: 3 }, exposure: { low: "0.001s", high: "0.002s" } }, exposure: "0.001500s",
};

test("what the form has no field for stays as it was", () => {
  for (const view of [{}, whole, { trim: { gain_index: 2, offset: -5, pixel_bias: 0, output_bias: 140 } }, { movable: whole.movable }, { name: "v", exposure: "1s" }]) {
    assert.deepEqual(new ViewFields({}, "x", view, () => {}).get(), view);
  }
});
