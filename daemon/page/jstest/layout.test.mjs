import assert from "node:assert/strict";
import test from "node:test";
import { arrange, bearings, direction, grid, grouped, neighbour, ordered, project, stacked } from "../static/layout.mjs";

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

test("rows and columns keep the order of the directions", () => {
  const square = Array.from({ length: 64 }, (_, i) => chip("eye-" + i, 70 - 20 * (i % 8), 70 - 20 * Math.floor(i / 8)));
  for (const chips of [square, crawler, square.slice(0, 9), square.slice(0, 1)]) {
    const { boxes, width, height } = ordered(chips);
    assert.deepEqual(overlaps(boxes), []);
    assert.equal(boxes.size, chips.length);
    for (const b of boxes.values()) assert.ok(b.x >= -1e-9 && b.x + b.w <= width + 1e-9 && b.y + b.h <= height + 1e-9);
    for (const a of chips) {
      for (const c of chips) {
        const [p, q, m, n] = [boxes.get(a.name), boxes.get(c.name), bearings(chips)(a.mount), bearings(chips)(c.mount)];
        if (p.y < q.y) assert.ok(m.y <= n.y + 1e-9, `${a.name} stands above ${c.name} and looks below it`);
        if (p.y === q.y && p.x < q.x) assert.ok(m.x <= n.x + 1e-9, `${a.name} stands left of ${c.name} and looks right of it`);
      }
    }
  }
});

test("an array that is a grid stands as it is", () => {
  const square = Array.from({ length: 64 }, (_, i) => chip("eye-" + i, 70 - 20 * (i % 8), 70 - 20 * Math.floor(i / 8)));
  const { boxes } = ordered([...square].reverse(), 30, 35, 3, 2);
  square.forEach((c, i) => assert.deepEqual(boxes.get(c.name), { x: (i % 8) * 33, y: Math.floor(i / 8) * 38, w: 30, h: 35 }));
});

test("groups by name, lane and direction hold every chip once", () => {
  const chips = crawler.map((c, i) => ({ ...c, lane: i % 2 ? "a" : "b" }));
  const groups = [{ name: "bed", chips: ["bed-0", "bed-1"] }, { name: "floor", chips: ["bed-1", "bed-2"] }];
  const of = (by) => Object.fromEntries(grouped(chips, by, groups).map((g) => [g.label, g.chips.map((c) => c.name)]));
  assert.deepEqual(of("group").bed, ["bed-0", "bed-1"]);
  assert.deepEqual(of("group").floor, ["bed-2"]);
  assert.equal(of("group")["in no group"].length, chips.length - 3);
  assert.deepEqual(Object.keys(of("group")).at(-1), "in no group");
  assert.deepEqual(Object.keys(of("lane")).sort(), ["output lane a", "output lane b"]);
  assert.deepEqual(["bow-left", "comb"].map((n) => direction(chips.find((c) => c.name === n).mount)), ["ahead", "ahead"]);
  assert.deepEqual([[90, 10], [-90, 10], [0, 80], [0, -80], [180, 0]].map(([yaw_deg, pitch_deg]) => direction({ yaw_deg, pitch_deg })), ["left", "right", "up", "down", "back"]);
  for (const by of ["group", "lane", "direction"]) {
    const all = grouped(chips, by, groups), { boxes, labels } = stacked(all, 5);
    assert.equal(boxes.size, chips.length);
    assert.deepEqual(overlaps(boxes), []);
    assert.equal(labels.length, all.length);
    for (const [i, g] of all.entries()) for (const c of g.chips) assert.ok(boxes.get(c.name).y >= labels[i].y && !(boxes.get(c.name).y >= (labels[i + 1]?.y ?? Infinity)), c.name);
  }
});
