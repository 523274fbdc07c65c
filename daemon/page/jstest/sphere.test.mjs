import assert from "node:assert/strict";
import test from "node:test";
import { coverage, mesh, onChip, onLens, placeOf, ray, views } from "../static/sphere.mjs";

const RAD = Math.PI / 180;
const product = (a, b) => Array.from({ length: 9 }, (_, k) => [0, 1, 2].reduce((s, i) => s + a[3 * Math.floor(k / 3) + i] * b[3 * i + (k % 3)], 0));

// rotation is by yaw about z, then pitch, then roll about the line of sight, as the schema has a mount.
function rotation(yaw, pitch, roll) {
  const [a, b, c] = [yaw * RAD, -pitch * RAD, roll * RAD];
  const z = [Math.cos(a), -Math.sin(a), 0, Math.sin(a), Math.cos(a), 0, 0, 0, 1];
  const y = [Math.cos(b), 0, Math.sin(b), 0, 1, 0, -Math.sin(b), 0, Math.cos(b)];
  const x = [1, 0, 0, 0, Math.cos(c), -Math.sin(c), 0, Math.sin(c), Math.cos(c)];
  return product(product(z, y), x);
}

const geometry = (yaw, pitch, roll, more) => ({
  rows: 30, columns: 40, focal_columns: 40 / (2 * Math.tan(20 * RAD)), focal_rows: 30 / (2 * Math.tan(15 * RAD)), axis_column: 19.5, axis_row: 14.5,
  projection: "PROJECTION_RECTILINEAR", rotation: rotation(yaw, pitch, roll), ...more,
});

// pixelRay is the direction of a pixel by the words of the schema, with the angle found by halving.
function pixelRay(g, row, column) {
  const x = (column - g.axis_column) / g.focal_columns, y = (row - g.axis_row) / g.focal_rows, d = Math.hypot(x, y);
  const of = { PROJECTION_RECTILINEAR: Math.tan, PROJECTION_EQUIDISTANT: (a) => a, PROJECTION_STEREOGRAPHIC: (a) => 2 * Math.tan(a / 2) }[g.projection];
  let low = 0, high = 1.5;
  for (let i = 0; i < 100; i++) {
    const a = (low + high) / 2, r = of(a);
    if (r * (1 + (g.distortion_k1 ?? 0) * r * r) < d) low = a;
    else high = a;
  }
  const s = d ? Math.sin(low) / d : 0, v = [Math.cos(low), -s * x, -s * y], m = g.rotation;
  return [0, 3, 6].map((i) => m[i] * v[0] + m[i + 1] * v[1] + m[i + 2] * v[2]);
}

test("a pixel's ray falls on that pixel, whatever the lens and the mount", () => {
  for (const projection of ["PROJECTION_RECTILINEAR", "PROJECTION_EQUIDISTANT", "PROJECTION_STEREOGRAPHIC"]) {
    for (const [yaw, pitch, roll] of [[0, 0, 0], [50, -20, 30], [-170, 80, -95]]) {
      const g = geometry(yaw, pitch, roll, { projection, distortion_k1: 0.05, axis_column: 18 });
      for (const [row, column] of [[0, 0], [14, 18], [29, 39], [3, 30]]) {
        const got = onLens(g, pixelRay(g, row, column));
        assert.ok(Math.hypot(got[0] - column, got[1] - row) < 1e-6, `${projection} ${yaw}: ${got}, want ${column}, ${row}`);
      }
    }
  }
  assert.equal(onLens(geometry(0, 0, 0), [-1, 0, 0]), undefined);
});

test("left is left, up is up, and a roll turns", () => {
  const g = geometry(0, 0, 0), [x, y] = onChip(g, ray(5, 4)); // a little left and up
  assert.ok(x < 0.5 && y < 0.5);
  const [u, v] = onChip(geometry(0, 0, 90), ray(0, 5)); // rolled by a quarter to the right, up is at its left
  assert.ok(Math.abs(v - 0.5) < 1e-9 && u < 0.5, `${u}, ${v}`);
});

test("places in a view are those of its rays", () => {
  for (const view of ["sphere", "ahead"]) {
    for (const [x, y] of [[0.5, 0.5], [0.2, 0.4], [0.7, 0.6], [0.55, 0.2]]) {
      const got = placeOf(view, views[view].ray(x, y));
      assert.ok(Math.hypot(got[0] - x, got[1] - y) < 1e-9, `${view}: ${got}, want ${x}, ${y}`);
    }
  }
  assert.equal(views.ahead.ray(0.01, 0.01), undefined);
});

test("a mesh covers what a chip sees, at the seam and about the pole too", () => {
  for (const g of [geometry(0, 0, 0), geometry(180, 0, 20), geometry(30, 88, 0)]) {
    for (const view of ["sphere", "ahead"]) {
      const m = mesh(g, view, 90), cells = new Set();
      for (let k = 0; k < m.length; k += 24) {
        const xs = [0, 4, 8, 16].map((i) => m[k + i]), ys = [0, 4, 8, 16].map((i) => m[k + i + 1]);
        cells.add(`${Math.round(Math.min(...xs) * 90 * views[view].ratio)},${Math.round(Math.min(...ys) * 90)}`);
      }
      for (let row = 0; row < 30; row++) {
        for (let column = 0; column < 40; column++) {
          const [x, y] = placeOf(view, pixelRay(g, row, column));
          if (view === "ahead" && Math.hypot(x - 0.5, y - 0.5) > 0.47) continue; // straight back is the rim, all around
          const cell = `${Math.floor(x * 90 * views[view].ratio)},${Math.floor(y * 90)}`;
          assert.ok(cells.has(cell), `${view}: pixel ${row}, ${column} at ${cell}`);
        }
      }
    }
  }
});

test("what is seen by none, one and several adds up", () => {
  const one = geometry(0, 0, 0), all = coverage([one], 20000), twice = coverage([one, one], 20000);
  assert.ok(Math.abs(all.none + all.one + all.several - 1) < 1e-12);
  // A rectangle of 40 by 30 degrees: 4 asin(sin 20 sin 15) of 4 pi, by spherical trigonometry.
  const want = Math.asin(Math.sin(20 * RAD) * Math.sin(15 * RAD)) / Math.PI;
  assert.ok(Math.abs(all.one - want) < 0.002, `${all.one}, want ${want}`);
  assert.deepEqual([twice.one, twice.several], [0, all.one]);
});
