import assert from "node:assert/strict";
import test from "node:test";
import { falls, reading, trimOf } from "../static/reading.mjs";

const near = (got, want) => assert.ok(Math.abs(got - want) < 1e-6 * Math.max(1, Math.abs(want)), `${got}, want ${want}`);
const frame = { rows: 2, columns: 2, code_zero_volts: 0.5, volts_per_code: 0.001, window: { row: 4, column: 6, row_step: 2 },
  row_offset_ns: ["0", "5000"], pixel_interval_ns: "700", first_sample_bus_ns: "100000", light_bus_ns: "90000" };

test("code, volts, place and times of a pixel", () => {
  const got = reading(frame, [1, 2, 3, 4], 1, 1);
  near(got.volts, 0.504);
  assert.deepEqual([got.code, got.chipRow, got.chipColumn, got.sampledNS, got.lightNS, got.lux], [4, 6, 7, 5700, 5700, undefined]);
  assert.equal(reading({ ...frame, hold_ns: "3000" }, [1, 2, 3, 4], 1, 1).lightNS, -10000); // of the load
  assert.equal(reading({ ...frame, row_light_offset_ns: ["0", "400"] }, [1, 2, 3, 4], 1, 1).lightNS, -9600); // of its row
});

test("light by the model of the class, through amplifier and bias", () => {
  const of = (volts, cls, trim, more) => reading({ ...frame, ...more, code_zero_volts: volts, volts_per_code: 0 }, [0, 0, 0, 0], 0, 0, cls, trim).lux;
  // y = a + b ln(c + x), as the schema has it.
  const log = { logarithmic: { offset_volts: 1.2, volts_per_decade: -0.08, dark_lux: 0.5 } };
  for (const x of [0.3, 20, 4000]) near(of(1.2 - 0.08 * Math.log10(0.5 + x), log), x);
  near(of(1 + 0.06 * Math.log10(0.01 + 70), {}), 70); // the default values
  near(of(1 + 0.06 * 1.1 * Math.log10(0.01 + 70), { temperature_k: 330 }), 70);
  const amp = { ...log, amplifier: { gains: [1, 4], mid_volts: 1.1, offset_step_volts: 0.01 }, pixel_bias: { nominal: 100, volts_per_step: 0.002 } };
  const pixel = 1.2 - 0.08 * Math.log10(0.5 + 20) + (110 - 100) * 0.002;
  near(of(1.1 + 4 * (pixel - 1.1) + 3 * 0.01, amp, { gain_index: 1, offset: 3, pixel_bias: 110 }), 20);
  const linear = { linear: { reset_volts: 2, volts_per_electron: 5e-5, electrons_per_lux_s: 2e5, dark_electrons_per_s: 100 } };
  near(of(2 - 5e-5 * (2e5 * 30 + 100) * 0.002, linear, undefined, { exposure_ns: "2000000" }), 30);
  assert.equal(of(1.5, linear), undefined); // without its exposure
  assert.deepEqual([falls(log), falls({}), falls(linear)], [true, false, true]);
});

test("the trim of a frame is its own, or that of its view", () => {
  const task = { name: "t", views: [{ trim: { gain_index: 1 } }, { name: "b", trim: { offset: 3 } }, { name: "c" }] };
  assert.deepEqual(["view-1", "b", "c", "d"].map((view) => trimOf({ view }, task)), [{ gain_index: 1 }, { offset: 3 }, undefined, undefined]);
  assert.deepEqual(trimOf({ view: "b", trim: { offset: 4 } }, task), { offset: 4 });
  assert.equal(trimOf({ view: "b" }, undefined), undefined); // of a task that has gone
});

test("what is clipped, and what is no place of the chip, says so", () => {
  const of = (code, more) => reading({ ...frame, significant_bits: 12, ...more }, [code, 1, 1, 1], 0, 0);
  assert.deepEqual([0, 1, 4094, 4095].map((code) => of(code).clipped), [true, false, false, true]);
  assert.deepEqual([of(1).resampled, of(1, { corrections: ["CORRECTION_OFFSET", "CORRECTION_RESAMPLED"] }).resampled], [false, true]);
});
