import assert from "node:assert/strict";
import test from "node:test";
import { LeftOut, Pace, Progress, silence } from "../static/sets.mjs";

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
  const of = (more) => silence({ cameMS: 100, heardMS: 40, tasks: ["wall", "bed"], limitMS: 1000, answerMS: 2500, ...more });
  assert.equal(of({}), "");
  assert.equal(of({ cameMS: undefined, heardMS: undefined }), ""); // nobody has asked yet
  assert.equal(of({ cameMS: 1234 }), "No frame set for 1.2 s: the daemon answers, and no job of wall, bed ends.");
  assert.equal(of({ cameMS: undefined }), "No frame set yet: the daemon answers, and no job of wall, bed ends.");
  assert.equal(of({ cameMS: 4000, heardMS: 3000 }), "No answer about frames for 3.0 s.");
  assert.equal(of({ cameMS: 4000, tasks: [] }), "No task is shown here: none runs.");
});
