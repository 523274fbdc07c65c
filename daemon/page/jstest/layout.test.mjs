import assert from "node:assert/strict";
import test from "node:test";
import { arrange, grid, neighbour, project } from "../static/layout.mjs";

const chip = (name, yaw_deg, pitch_deg) => ({ name, mount: { yaw_deg, pitch_deg } });
const crawler = [
  ...Array.from({ length: 12 }, (_, i) => {
    const a = 15 + 30 * i; // around, beginning on the left
    return a < 90 ? chip("wall-" + i, 90, a) : a < 270 ? chip("wall-" + i, -90, 180 - a) : chip("wall-" + i, 90, a - 360);
  }),
  chip("bed-0", 45, -48), chip("bed-1", 15, -48), chip("bed-2", -15, -48), chip("bed-3", -45, -48),
  chip("bow-left", 11, 0), chip("bow-right", -11, 0), chip("comb", 0, 4),
];

function overlaps(boxes) {
  const all = [...boxes.entries()], out = [];
  for (let i = 0; i < all.length; i++) {
    for (let j = i + 1; j < all.length; j++) {
      const [a, b] = [all[i][1], all[j][1]];
      if (a.x < b.x + b.w - 1e-6 && b.x < a.x + a.w - 1e-6 && a.y < b.y + b.h - 1e-6 && b.y < a.y + a.h - 1e-6) out.push(all[i][0] + " and " + all[j][0]);
    }
  }
  return out;
}

test("directions", () => {
  const near = (got, x, y) => assert.ok(Math.hypot(got.x - x, got.y - y) < 1e-9, JSON.stringify(got));
  near(project({}), 0, 0);
  near(project({ yaw_deg: 90 }), -90, 0); // left is left
  near(project({ yaw_deg: -30 }), 30, 0);
  near(project({ pitch_deg: 90 }), 0, -90); // up is up
  near(project({ yaw_deg: 180 }), 180, 0);
  near(project({ yaw_deg: 90, pitch_deg: 45 }), -90 * Math.SQRT1_2, -90 * Math.SQRT1_2);
});

test("no picture lies over another, and each is where its chip looks", () => {
  for (const [w, h] of [[20, 22], [30, 33], [36, 41], [45, 50]]) {
    const { boxes, width, height } = arrange(crawler, w, h);
    assert.deepEqual(overlaps(boxes), [], `boxes of ${w} by ${h}`);
    for (const b of boxes.values()) assert.ok(b.x >= 0 && b.y >= 0 && b.x + b.w <= width + 1e-6 && b.y + b.h <= height + 1e-6);
  }
  const at = (name) => arrange(crawler, 36, 41).boxes.get(name);
  assert.ok(at("bow-left").x < at("comb").x && at("comb").x < at("bow-right").x);
  for (const bed of ["bed-0", "bed-1", "bed-2", "bed-3"]) assert.ok(at(bed).y > at("comb").y, bed);
  assert.ok(at("bed-0").x < at("bed-1").x && at("bed-1").x < at("bed-2").x && at("bed-2").x < at("bed-3").x);
  assert.ok(at("wall-0").x < at("bow-left").x && at("wall-5").x > at("bow-right").x);
});

test("chips that look the same way, or say nothing of it, make a grid", () => {
  const { boxes } = arrange([{ name: "a" }, { name: "b" }, { name: "c" }, { name: "d" }, { name: "e" }]);
  assert.deepEqual(overlaps(boxes), []);
  assert.equal(boxes.size, 5);
  assert.equal(arrange([]).boxes.size, 0);
  assert.equal(arrange([chip("one", 30, 30)]).boxes.size, 1);
});

test("arrow keys reach every chip and come back", () => {
  for (const boxes of [arrange(crawler, 36, 41).boxes, grid(crawler, 30, 37, 3, 4).boxes]) {
    const reached = new Set(["comb"]), todo = ["comb"];
    while (todo.length) {
      const from = todo.pop();
      for (const key of ["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown"]) {
        const to = neighbour(boxes, from, key);
        if (!reached.has(to)) {
          reached.add(to);
          todo.push(to);
        }
      }
    }
    assert.equal(reached.size, crawler.length, "not reached: " + crawler.map((c) => c.name).filter((n) => !reached.has(n)));
  }
});
