import assert from "node:assert/strict";
import test from "node:test";
import { ageText, BusClock, History, isStale, median, Meter, placed, recentFractions } from "../static/stats.mjs";
import { age, bytes, duration, hertz, percent, seconds, targetText, toSeconds, windowText, words } from "../static/units.mjs";

test("bus time in real time follows the message least on its way", () => {
  const c = new BusClock();
  assert.equal(c.now(0), undefined);
  // Bus time began 1000 ms before the clock; messages are late by 30, 2 and 90 ms.
  for (const [sent, late] of [[0, 30], [400, 2], [800, 90]]) c.note((1000 + sent) * 1e6, sent + late, true);
  assert.equal(c.now(2000), (1000 + 2000 - 2) * 1e6);
  c.note(5e6, 3000, true); // the daemon began anew
  assert.equal(c.now(3010), 15e6);
});

test("bus time that runs at another pace is followed, and stands where it stands", () => {
  const c = new BusClock();
  c.note(0, 0, false);
  c.note(4000e6, 400, false); // ten times as fast
  assert.equal(c.now(450), 4500e6);
  const paused = new BusClock();
  for (const at of [0, 400, 800]) paused.note(7e9, at, false);
  assert.equal(paused.now(1200), 7e9);
});

test("stale", () => {
  assert.equal(isStale(900, 66, true), false);
  assert.equal(isStale(1001, 66, true), true);
  assert.equal(isStale(5000, 2000, true), false); // a slow task
  assert.equal(isStale(6001, 2000, true), true);
  assert.equal(isStale(1, 66, false), true);
  assert.deepEqual([ageText(38.2), ageText(1234), ageText(61000)], ["38 ms", "1.2 s", "1 min 1 s"]);
});

test("histories forget, and gaps stay gaps", () => {
  const h = new History(1000);
  for (const at of [0, 500, 1400]) h.add(at, at);
  assert.deepEqual(h.points.map((p) => p.at), [500, 1400]);
  assert.deepEqual(h.lines(1500, 0, 1500, 300).map((l) => l.length), [1, 1]);
  assert.deepEqual(h.range(), [500, 1400]);
  const line = new History(1000);
  line.add(100, 5);
  line.add(200, 10);
  assert.deepEqual(line.lines(1100, 0, 10), [[{ x: 0, y: 0.5 }, { x: 0.09999999999999998, y: 1 }]]);
});

test("meters and medians", () => {
  const m = new Meter(2000);
  for (let i = 0; i < 60; i++) m.add(i * 100);
  assert.ok(Math.abs(m.perSecond(5900) - 10) <= 0.5);
  assert.equal(median([5, 1, 9]), 5);
  assert.equal(median([]), 0);
});

test("fractions of the last second from fractions since the timetable began", () => {
  // Half the time for 10 s, then all of it for 1 s: since the beginning 6 of 11.
  const got = recentFractions({ busNS: 10e9 + 5, fractions: { LOAD: 0.5 } }, { busNS: 11e9 + 5, fractions: { LOAD: 6 / 11 } }, 5);
  assert.ok(Math.abs(got.LOAD - 1) < 1e-9);
  assert.deepEqual(recentFractions({ busNS: 5, fractions: {} }, { busNS: 9, fractions: { LOAD: 0.2 } }, 5), { LOAD: 0.2 });
});

test("numbers carry their unit", () => {
  assert.deepEqual(["0", "999", 1500, 321000, 2186718, 55200000, 285e6, 1.5e9, 90e9].map(duration),
    ["0 ns", "999 ns", "1.5 µs", "321 µs", "2.19 ms", "55.2 ms", "285 ms", "1.50 s", "1.5 min"]);
  assert.deepEqual([hertz(15), hertz(undefined), percent(0.5124), bytes(642560)], ["15.00 Hz", "0.00 Hz", "51.2 %", "627.5 KiB"]);
  assert.equal(words("EVENT_KIND_TASK_ADDED", "EVENT_KIND_"), "task added");
});

test("durations of the API go there and back", () => {
  assert.equal(seconds("0.040s"), 40e6);
  assert.equal(seconds(undefined), undefined);
  for (const ns of [1, 40e6, 1e9, 1.5e9, 3600e9 + 1]) assert.equal(Math.round(seconds(toSeconds(ns))), ns);
  assert.equal(toSeconds(40e6), "0.040000000s");
});

test("what is read", () => {
  assert.equal(windowText({ rows: 20, columns: 20, row_step: 2, column_step: 2 }), "rows 0 to 38 by 2, columns 0 to 38 by 2");
  assert.equal(windowText({ row: 3, rows: 1, columns: 8 }), "rows 3 to 3, columns 0 to 7");
  assert.equal(targetText({ list: { names: ["a", "b"] } }), "a, b");
});

test("a history begins with what the daemon kept, and goes on", () => {
  const runs = [{ means: [1, 2], leasts: [0, 1], mosts: [2, 3] }, { first: 4, means: [9], leasts: [8], mosts: [10] }];
  const points = placed(runs, 5, 1000, 10000);
  assert.deepEqual(points.map((p) => [p.at, p.least, p.mean, p.most]), [[6000, 0, 1, 2], [7000, 1, 2, 3], [10000, 8, 9, 10]]);
  assert.deepEqual(placed(undefined, 5, 1000, 0), []);
  const h = new History(1000);
  for (const at of [9900, 10000, 10100]) h.add(at, 5);
  h.seed(points.map((p) => ({ at: p.at, value: p.mean })), 5000);
  assert.deepEqual(h.points.map((p) => p.at), [6000, 7000, 10000, 10100]);
  h.seed([]); // none were kept
  assert.equal(h.points.length, 4);
});

test("ages are written as the commands write them", () => {
  assert.deepEqual([0, 59e9, 60e9, 7199e9, 7200e9, 47.6 * 3600e9, 48 * 3600e9].map(age), ["0 s", "59 s", "1 min", "120 min", "2 h", "48 h", "2 d"]);
  assert.equal(age(undefined), "0 s");
});
