import assert from "node:assert/strict";
import test from "node:test";
import { lattice, paint, pixelAt } from "../static/lattice.mjs";
import { grey } from "../static/range.mjs";

const near = (got, want, what) => assert.ok(Math.abs(got - want) < 1e-9, `${what}: ${got}, want ${want}`);
const S = Math.sqrt(0.75);
const comb = { lattice: { rows: 30, columns: 20, pitch_x_um: 30, pitch_y_um: 30 * S, arrangement: "ARRANGEMENT_HEXAGONAL" } };

test("the pixels of a hexagonal lattice are hexagons", () => {
  for (const row of [0, 1]) {
    const frame = { arrangement: "ARRANGEMENT_HEXAGONAL", rows: 7, columns: 6, window: { row, rows: 7, columns: 6 } };
    const lay = lattice(frame, comb), shifted = (i) => ((row + i) & 1) / 2, each = lay.width / 6.5;
    near(lay.ratio, 6.5 / ((6 + 4 / 3) * S), "ratio");
    const area = new Array(42).fill(0);
    for (let v = 0; v < lay.height; v++) {
      for (let u = 0; u < lay.width; u++) {
        const got = pixelAt(frame, lay, (u + 0.5) / lay.width, (v + 0.5) / lay.height);
        // The nearest middle, by looking at all of them, with a ring of others around that bounds the outer ones.
        let best = Infinity, at;
        for (let i = -2; i < 9; i++) {
          for (let j = -2; j < 8; j++) {
            const d = Math.hypot((u + 0.5) / each - 0.5 - j - (((row + i) & 1) / 2), (v + 0.5) / each - (2 / 3 + i) * S);
            if (d < best - 1e-12) [best, at] = [d, i >= 0 && i < 7 && j >= 0 && j < 6 ? { row: i, column: j } : undefined];
          }
        }
        assert.deepEqual(got, at, `canvas pixel ${u}, ${v}`);
        if (got) area[got.row * 6 + got.column]++;
      }
    }
    // All have the area of a hexagon of that pitch, to within what the raster leaves.
    for (const n of area) assert.ok(Math.abs(n / (each * each * S) - 1) < 0.08, `area ${n} of ${each * each * S}`);
    assert.ok(shifted(0) !== shifted(1));
  }
});

test("pixels that are not square, and steps, keep their proportions", () => {
  const frame = { arrangement: "ARRANGEMENT_SQUARE", rows: 2, columns: 4, window: { rows: 2, columns: 4, row_step: 2, column_step: 1 } };
  const lay = lattice(frame, { lattice: { rows: 8, columns: 16, pitch_x_um: 20, pitch_y_um: 30 } });
  assert.deepEqual([lay.width, lay.height, lay.ratio, lay.dieRatio], [4, 2, (4 * 20) / (2 * 2 * 30), (16 * 20) / (8 * 30)]);
  // 40 rows by 107 columns, about 2.67:1, which was drawn square once.
  near(lattice({ rows: 40, columns: 107 }, { lattice: { rows: 40, columns: 107, pitch_x_um: 25 } }).ratio, 107 / 40, "wide");
  const resampled = { ...frame, window: { rows: 8, columns: 16 }, corrections: ["CORRECTION_RESAMPLED"] };
  assert.equal(lattice(resampled, { lattice: { rows: 8, columns: 16, pitch_x_um: 20, pitch_y_um: 17 } }).ratio, 2);
});

test("a window lies where it was read", () => {
  const cls = { lattice: { rows: 40, columns: 80, pitch_x_um: 10, pitch_y_um: 20 } };
  const at = (window, rows, columns) => lattice({ rows, columns, window }, cls).place;
  assert.deepEqual(at({ row: 10, column: 20, rows: 20, columns: 40 }, 20, 40), { left: 0.25, top: 0.25, width: 0.5, height: 0.5 });
  assert.deepEqual(at({ row: 0, column: 0, rows: 20, columns: 40, row_step: 2, column_step: 2 }, 20, 40), { left: 0, top: 0, width: 1, height: 1 });
  assert.deepEqual(at({ row: 39, column: 79, rows: 1, columns: 1, row_step: 4, column_step: 4 }, 1, 1),
    { left: 79 / 80, top: 39 / 40, width: 1 - 79 / 80, height: 1 - 39 / 40 });
  const hex = lattice({ arrangement: "ARRANGEMENT_HEXAGONAL", rows: 30, columns: 20, window: { rows: 30, columns: 20 } }, comb);
  assert.deepEqual(hex.place, { left: 0, top: 0, width: 1, height: 1 });
  near(hex.dieRatio, hex.ratio, "the whole chip");
});

test("clipped codes are marked, and what no pixel covers is clear", () => {
  const frame = { rows: 2, columns: 4 }, rgba = new Uint8Array(4 * 8);
  paint(rgba, Uint16Array.from([0, 1, 4095, 4094, 7, 7, 7, 7]), lattice(frame), grey(0, 4095), [[1, 2, 3], [4, 5, 6]], 12);
  assert.deepEqual([...rgba.subarray(0, 16)], [1, 2, 3, 255, 0, 0, 0, 255, 4, 5, 6, 255, 255, 255, 255, 255]);
  const hex = { arrangement: "ARRANGEMENT_HEXAGONAL", rows: 2, columns: 2, window: {} }, lay = lattice(hex);
  const all = new Uint8Array(4 * lay.width * lay.height);
  paint(all, Uint16Array.from([10, 20, 30, 40]), lay, grey(0, 255), undefined, 12);
  assert.equal(all[3], 0); // the upper left corner lies beside the tip of the first
  const middle = pixelAt(hex, lay, 0.5 / 2.5, (2 / 3) / (1 + 4 / 3));
  assert.deepEqual(middle, { row: 0, column: 0 });
  assert.equal(pixelAt(hex, lay, -0.1, 0.5), undefined);
});
