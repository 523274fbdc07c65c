import assert from "node:assert/strict";
import test from "node:test";
import { Spread, turns } from "../static/turns.mjs";

test("a turn ends when it was long enough", async () => {
  let at = 0, given = 0;
  const turn = turns(() => at, async () => given++);
  for (const [ms, want] of [[5, 0], [7.9, 0], [8, 1], [15.9, 1], [16, 2]]) {
    at = ms;
    await turn();
    assert.equal(given, want, `at ${ms} ms`);
  }
});

test("listeners hear in turns, all the same value, and of several values the last", async () => {
  let at = 0;
  const heard = [], wrong = [];
  const s = new Spread([
    (v) => {
      heard.push("a" + v);
      at += 20;
      if (v === 1) [2, 3].forEach((n) => s.tell(n)); // while the others have not heard yet
    },
    () => {
      throw new Error("broken");
    },
    (v) => heard.push("b" + v),
  ], { now: () => at, give: async () => heard.push("|"), wrong: (e) => wrong.push(e.message) });
  await s.tell(1);
  assert.deepEqual(heard, ["|", "a1", "|", "b1", "|", "a3", "|", "b3"]);
  assert.deepEqual(wrong, ["broken", "broken"]);
  await s.tell(4);
  assert.deepEqual(heard.slice(-4), ["|", "a4", "|", "b4"]);
});
