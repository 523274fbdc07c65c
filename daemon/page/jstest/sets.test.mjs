import assert from "node:assert/strict";
import test from "node:test";
import { LeftOut, Pace, Progress, Silence } from "../static/sets.mjs";

const answer = (instance, tasks, ...sets) => ({
  identity: { instance_id: instance }, tasks: tasks.map((task) => ({ task })),
  deliveries: sets.map(([task, generation, job]) => ({ frame_set: { task, task_generation: generation, job } })),
});

test("what came is not asked for again", () => {
  const p = new Progress();
  assert.deepEqual(p.request({ tasks: [] }, 1000), { selection: { tasks: [] }, instance_id: "", newer_than: [], wait: "1s" });
  p.took(answer("one", ["a", "b"], ["a", "3", "17"], ["b", "4", undefined])); // a job 0 is left out of JSON
  p.took(answer("one", ["a", "b"], ["a", "3", "18"]));
  assert.deepEqual(p.request({ tasks: [] }, 250), {
    selection: { tasks: [] }, instance_id: "one", wait: "0.25s",
    newer_than: [{ task: "a", generation: "3", job: "18" }, { task: "b", generation: "4", job: undefined }],
  });
  assert.equal(JSON.stringify(p.request({}, 1).newer_than[1]), '{"task":"b","generation":"4"}');
});

test("positions of another run of the daemon, and of tasks that are gone, are forgotten", () => {
  const p = new Progress(), had = () => p.request({}, 1).newer_than.map((n) => n.task);
  p.request({}, 1);
  p.took(answer("one", ["a", "b"], ["a", "1", "5"], ["b", "2", "5"]));
  p.took(answer("one", ["b"]));
  assert.deepEqual(had(), ["b"]);
  p.took(answer("two", ["a", "b"], ["a", "1", "0"]));
  assert.deepEqual(had(), ["a"]);
  // An answer about one task says nothing of the others.
  p.request({ tasks: ["b"] }, 1);
  p.took(answer("two", ["b"], ["b", "2", "1"]));
  assert.deepEqual(had(), ["a", "b"]);
  p.forget();
  assert.deepEqual(had(), []);
});

test("questions keep their rate though each is a little late, and late ones are told and not made up for", () => {
  const p = new Pace(50);
  let now = 1000;
  assert.equal(p.wait(now), 0);
  assert.equal(p.asked(now), "first"); // nobody asked before it
  for (const late of [0, 4, 1, 20, 0, 49]) {
    now += p.wait(now);
    assert.equal((now - 1000) % 50, 0); // on the grid of the first
    now += late;
    assert.equal(p.asked(now), "in time");
  }
  now += p.wait(now) + 51;
  assert.equal(p.asked(now), "late");
  assert.equal(p.wait(now), 50);
});

test("what is left out counts by the question before it, and of the first since a start neither way", () => {
  const counts = new LeftOut();
  for (const [question, n] of [["first", 600], ["in time", 2], ["late", 5], ["in time", 1]]) counts.add(question, n);
  assert.deepEqual([counts.limit, counts.slow], [3, 5]);
  // Started again after the tab was hidden, on the positions from before it.
  let now = 1000;
  const before = new Pace(50);
  before.asked(now);
  now += 600e3;
  counts.add(new Pace(50).asked(now), 9000);
  assert.deepEqual([counts.limit, counts.slow], [3, 5]);
  assert.equal(before.asked(now), "late"); // one that went on over that time was slow
});

test("silence is told with what is known of it", () => {
  const s = new Silence(2500);
  s.start(0);
  s.heard(100, ["wall", "bed"], true);
  s.heard(1300, ["wall", "bed"], false);
  assert.equal(s.says(1100, [100, 300]), ""); // a second, though three periods are over
  assert.equal(s.says(1334, [100, 300]), "No frame set for 1.2 s: the daemon answers, and nothing of wall, bed comes.");
  assert.equal(s.says(1334, [2000, 500]), ""); // not yet three periods of the fastest
  assert.equal(s.says(1601, [2000, 500]), "No frame set for 1.5 s: the daemon answers, and nothing of wall, bed comes.");
  assert.equal(s.says(3800, [100, 300]), "No frame set for 3.7 s: the daemon answers, and nothing of wall, bed comes.");
  assert.equal(s.says(4300, [100, 300]), "No answer about frames for 3.0 s.");
});

test("from every start on there is time for an answer and for three periods, and at least a second", () => {
  const s = new Silence(2500);
  assert.equal(s.says(1e6, []), ""); // nobody has asked yet
  for (const at of [1000, 700e3]) { // at first, and after ten minutes hidden or stopped
    s.start(at);
    assert.equal(s.says(at + 10, [100]), "");
    assert.equal(s.says(at + 2500, [100]), ""); // what there is, only an answer says
    assert.equal(s.says(at + 2600, [100]), "No answer about frames for 2.6 s.");
    s.heard(at + 2700, [], false);
    s.heard(at + 3600, [], false);
    assert.equal(s.says(at + 900, []), "");
    assert.equal(s.says(at + 3700, []), "No task is shown here: none runs.");
    s.heard(at + 4000, ["slow"], false); // it has as long from being there
    assert.equal(s.says(at + 4100, [5000]), "");
    s.heard(at + 18900, ["slow"], false);
    assert.equal(s.says(at + 19000, [5000]), "");
    assert.equal(s.says(at + 19001, [5000]), "No frame set yet: the daemon answers, and nothing of slow comes.");
    s.heard(at + 19100, ["slow"], true);
    assert.equal(s.says(at + 19200, [5000]), "");
  }
  // The order of the tasks is nothing new; another task is.
  s.start(0);
  s.heard(10, ["a", "b"], true);
  s.heard(1500, ["b", "a"], false);
  assert.notEqual(s.says(1600, [100, 100]), "");
  s.heard(1700, ["a"], false);
  assert.equal(s.says(1800, [100]), "");
});
