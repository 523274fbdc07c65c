import assert from "node:assert/strict";
import test from "node:test";
import { decode, grey, highest, histogram, percentiles, shown, steady, spread } from "../static/range.mjs";

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

test("inverted, what was white is black", () => {
  const plain = grey(100, 200), turned = grey(100, 200, undefined, true);
  for (const c of [0, 99, 100, 150, 199, 200, 65535]) assert.equal(plain[c] + turned[c], 255);
  assert.equal(turned[50], 255);
});

test("the range of a correction map leaves out the few that lie far off", () => {
  const values = Array.from({ length: 1000 }, (_, i) => i / 1000);
  assert.deepEqual(spread([...values, 1e6, -1e6]), [0.004, 0.995]);
  assert.deepEqual(spread([3, 3]), [2.5, 3.5]);
  assert.deepEqual(spread([]), [0, 1]);
});
