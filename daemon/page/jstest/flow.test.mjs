import assert from "node:assert/strict";
import test from "node:test";
import { arrow, dial, facts, heading, nearest, reason, turns } from "../static/flow.mjs";

const near = (got, want) => assert.ok(Math.abs(got - want) < 1e-9, `${got}, want ${want}`);
const frame = { rows: 24, columns: 48 };
const told = (x, y, more) => ({ shift_x_px: x, shift_y_px: y, shift_covariance_px2: [0.01, 0, 0.01], ...more });

test("an arrow is the shift in parts of the frame, four times as long, and ends in it", () => {
  const a = arrow(told(1.2, -0.6), frame);
  near(a.x, 0.1);
  near(a.y, -0.1);
  const far = arrow(told(20, 0), frame);
  near(far.x, 0.48);
  near(far.y, 0);
});

test("what is not told to a pixel has no arrow but a word", () => {
  const flat = { reason: "MOTION_REASON_OUT_OF_RANGE" };
  assert.equal(arrow(flat, frame), undefined);
  assert.equal(reason(flat), "out of range");
  const oneWay = told(0.5, 0, { shift_covariance_px2: [0.01, 0, 576] });
  assert.equal(arrow(oneWay, frame), undefined);
  assert.equal(reason(oneWay), "unsure");
  assert.equal(arrow(told(1, 1), undefined), undefined);
});

const body = {
  told: true, rate_rad_per_s: [0.1, 0.2, -0.3], rate_covariance: [1e-4, 0, 0, 0, 4e-4, 0, 0, 0, 9e-4], heading: [0, 1, 0],
  heading_covariance: [0.0004, 0, 0, 0, 0, 0, 0, 0, 0.0005], chi_squared: 1.5, contact_s: 2.25, contact_sd_s: 0.1,
  chips: [{ chip: "a", nearness_per_s: 0.2, nearness_sd_per_s: 0.01 }, { chip: "b", nearness_per_s: 0.5, nearness_sd_per_s: 0.02 }, { chip: "c", left_out: true, nearness_per_s: 9 }, { chip: "d" }],
};

test("turns have the senses of a driver: a turn about y by the right hand is down", () => {
  const t = turns(body), deg = 180 / Math.PI;
  near(t.left.value, -0.3 * deg);
  near(t.up.value, -0.2 * deg);
  near(t.right.value, 0.1 * deg);
  near(t.left.sd, 0.03 * deg);
});

test("the heading is to the left of ahead and up", () => {
  const h = heading(body);
  near(h.left, 90);
  near(h.up, 0);
  near(h.sd, 0.03 * (180 / Math.PI));
  assert.equal(heading({ heading: [] }), undefined);
});

test("the nearest chip stands first, and those that were left out nowhere", () => {
  assert.deepEqual(nearest(body).map((c) => c.chip), ["b", "a"]);
});

test("the dial has ahead up and left on the left; lengths are in parts of the nearest", () => {
  const d = dial({ body }, (chip) => ({ a: 0, b: -90 })[chip]);
  near(d.heading.x, -1);
  near(d.heading.y, 0);
  near(d.turn, -0.3 * (180 / Math.PI));
  assert.deepEqual(d.near.map((n) => n.chip), ["b", "a"]);
  near(d.near[0].x, 1);
  near(d.near[0].long, 1);
  near(d.near[1].y, -1);
  near(d.near[1].long, 0.4);
});

test("facts say what is told, and of what is not why", () => {
  const all = Object.fromEntries(facts({ body }));
  assert.equal(all["Turns left"], "−17.2 ± 1.7 °/s");
  assert.equal(all.Heads, "90.0° left, 0.0° up, ± 1.7°");
  assert.equal(all.Nearest, "b: 0.50 ± 0.02 of its distance a second");
  assert.equal(all["Wall ahead in"], "2.3 ± 0.1 s");
  const none = Object.fromEntries(facts({ body: {}, chips: [{ reason: "MOTION_REASON_FLAT" }, { reason: "MOTION_REASON_GAP" }, { reason: "MOTION_REASON_FLAT" }] }));
  assert.equal(none.Chips, "2 flat, 1 gap");
  assert.equal(facts({ body: { ...body, heading: [], rotation_only: true } }).find(([k]) => k === "Heads")[1], "not told");
});
