import assert from "node:assert/strict";
import test from "node:test";
import { decode, grey, highest, histogram, lattice, paint, percentiles, shown, steady } from "../static/range.mjs";

const random = (seed) => () => ((seed = (seed * 1103515245 + 12345) >>> 0) / 2 ** 32); // for cases, not for chance

test("codes are 16 bits, the least significant byte first", () => {
  assert.deepEqual([...decode(Buffer.from([0x34, 0x12, 0xff, 0x0f]).toString("base64"))], [0x1234, 0x0fff]);
  assert.equal(decode(undefined).length, 0);
  assert.equal(highest(12), 4095);
});

test("percentiles are those of sorted codes", () => {
  const next = random(7);
  for (let n = 1; n < 400; n += 37) {
    const codes = Uint16Array.from({ length: n }, () => Math.floor(next() * 4096));
    const sorted = [...codes].sort((a, b) => a - b);
    for (const [low, high] of [[0.01, 0.99], [0, 1], [0.5, 0.5]]) {
      const rank = (share) => sorted[Math.max(1, Math.ceil(share * n)) - 1];
      assert.deepEqual(percentiles(codes, low, high, 12), [rank(low), rank(high)], `${n} codes`);
    }
  }
});

test("the range shown", () => {
  const flat = new Uint16Array(100).fill(2000);
  assert.deepEqual(shown("full", flat, 12), [0, 4095]);
  assert.deepEqual(shown("fixed", flat, 12, [10, 20]), [10, 20]);
  assert.deepEqual(shown("fixed", flat, 12, [20, 20]), [20, 21]);
  assert.deepEqual(shown("auto", flat, 12), [1992, 2008]); // never narrower than 16 codes
  assert.deepEqual(shown("auto", new Uint16Array(9), 12), [0, 16]);
  assert.deepEqual(shown("auto", new Uint16Array(9).fill(4095), 12), [4079, 4095]);
  assert.deepEqual(steady(undefined, [1, 2]), [1, 2]);
  assert.deepEqual(steady([100, 200], [120, 240], 0.25), [105, 210]);
  assert.deepEqual(steady([100, 200], [900, 1000]), [900, 1000]);
});

test("grey is linear between the ends and stays within them", () => {
  for (const [low, high] of [[0, 4095], [1000, 1016], [12.5, 99.25], [0, 65535]]) {
    const table = grey(low, high);
    for (let c = 0; c < 65536; c += 7) {
      const want = Math.min(255, Math.max(0, Math.round(((c - low) * 255) / (high - low))));
      assert.equal(table[c], c >= high ? 255 : c < low ? 0 : want, `code ${c} of ${low} to ${high}`);
    }
  }
});

test("histograms count every code once", () => {
  const next = random(3), codes = Uint16Array.from({ length: 1000 }, () => Math.floor(next() * 4096));
  const h = histogram(codes, 12, 64);
  assert.equal(h.reduce((a, b) => a + b), 1000);
  for (let i = 0; i < 64; i++) assert.equal(h[i], codes.filter((c) => c >= i * 64 && c < (i + 1) * 64).length);
});

const hexagonal = { arrangement: "ARRANGEMENT_HEXAGONAL", rows: 3, columns: 2, window: { row: 1 } };

test("odd rows of a hexagonal lattice lie half a column to the right", () => {
  const lay = lattice(hexagonal, { lattice: { pitch_x_um: 30, pitch_y_um: 30 * Math.sqrt(0.75) } });
  assert.deepEqual([lay.width, lay.height, lay.shift(0), lay.shift(1)], [5, 3, 1, 0]);
  const rgba = new Uint8Array(4 * 15), table = grey(0, 255);
  paint(rgba, Uint16Array.from([10, 20, 30, 40, 50, 60]), hexagonal, lay, table, undefined, 12);
  const row = (i) => Array.from({ length: 5 }, (_, j) => (rgba[4 * (5 * i + j) + 3] ? rgba[4 * (5 * i + j)] : "clear"));
  assert.deepEqual([row(0), row(1), row(2)], [["clear", 10, 10, 20, 20], [30, 30, 40, 40, "clear"], ["clear", 50, 50, 60, 60]]);
  // The pitch of the rows is sqrt(3)/2 of that of the columns.
  assert.ok(Math.abs(lay.ratio - 2.5 / (3 * Math.sqrt(0.75))) < 1e-9);
});

test("pixels that are not square, steps, and marks of clipped codes", () => {
  const frame = { arrangement: "ARRANGEMENT_SQUARE", rows: 2, columns: 4, window: { row_step: 2, column_step: 1 } };
  const lay = lattice(frame, { lattice: { pitch_x_um: 20, pitch_y_um: 30 } });
  assert.deepEqual([lay.width, lay.height, lay.ratio], [4, 2, (4 * 20) / (2 * 2 * 30)]);
  const resampled = { ...frame, window: { row_step: 1, column_step: 1 }, corrections: ["CORRECTION_RESAMPLED"] };
  assert.equal(lattice(resampled, { lattice: { pitch_x_um: 20, pitch_y_um: 17 } }).ratio, 2);
  const rgba = new Uint8Array(4 * 8);
  paint(rgba, Uint16Array.from([0, 1, 4095, 4094, 7, 7, 7, 7]), frame, lay, grey(0, 4095), [[1, 2, 3], [4, 5, 6]], 12);
  assert.deepEqual([...rgba.subarray(0, 16)], [1, 2, 3, 255, 0, 0, 0, 255, 4, 5, 6, 255, 255, 255, 255, 255]);
});
