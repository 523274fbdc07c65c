// Frame sets by long polls: how far a page has come with each task, how often it asks, and what it says of silence.
// Pure: every time is given, in milliseconds of a clock that only rises.

import { ageText } from "./stats.mjs";

// Progress is what a page has of each task. What it sends along keeps the daemon from giving it the same again.
export class Progress {
  #instance = "";
  #had = new Map(); // by task: generation and job as the API writes them
  #all = true;

  // request asks for frame sets newer than those that came.
  request(selection, waitMS) {
    this.#all = !selection.tasks?.length;
    const newer = [...this.#had].map(([task, at]) => ({ task, ...at }));
    return { selection, instance_id: this.#instance, newer_than: newer, wait: `${waitMS / 1000}s` };
  }

  // took notes what an answer brought.
  took(answer) {
    const instance = answer.identity?.instance_id ?? "";
    if (instance !== this.#instance) this.#had.clear(); // another run of the daemon, whose numbers are its own
    this.#instance = instance;
    for (const { frame_set: set } of answer.deliveries ?? []) {
      this.#had.set(set.task, { generation: set.task_generation, job: set.job });
    }
    const runs = new Set((answer.tasks ?? []).map((t) => t.task));
    for (const task of this.#had.keys()) {
      if (this.#all && !runs.has(task)) this.#had.delete(task);
    }
  }

  // forget makes the next answer begin anew.
  forget() {
    this.#had.clear();
  }
}

// Pace spreads questions evenly.
export class Pace {
  #due;

  constructor(everyMS) {
    this.everyMS = everyMS;
  }

  // wait is how long the next question has to wait.
  wait(nowMS) {
    return Math.max(0, (this.#due ?? nowMS) - nowMS);
  }

  // asked notes a question, and returns what it is: "first", "in time", or "late" by a whole turn.
  asked(nowMS) {
    const first = this.#due === undefined, late = !first && nowMS - this.#due > this.everyMS;
    this.#due = (first || late ? nowMS : this.#due) + this.everyMS;
    return first ? "first" : late ? "late" : "in time";
  }
}

// LeftOut counts the frame sets that the daemon left out before an answer, by what Pace said of its question.
export class LeftOut {
  limit = 0; // of questions in time: they ended between two
  slow = 0; // of late ones: lost because the answer before, or its way, was slow

  // add counts those of the first question since a start neither way: nobody asked while they ended.
  add(question, n) {
    if (question === "late") this.slow += n;
    else if (question === "in time") this.limit += n;
  }
}

// Silence notices that no frame set has come for too long. Whatever begins anew has all its time again, so that
// nothing is told of a time in which nobody asked, or the task was not there.
export class Silence {
  #since; // of the start, or of another choice of tasks
  #came; // the last frame set since then
  #heard; // the last answer since the start, or the start
  #answered = false;
  tasks = []; // that the last answer told of

  // An answer may take answerMS.
  constructor(answerMS) {
    this.answerMS = answerMS;
  }

  // start begins anew: questions are asked from now on.
  start(nowMS) {
    this.#since = this.#heard = nowMS;
    this.#came = undefined;
    this.#answered = false;
  }

  // heard notes an answer, the tasks that it told of, and whether it brought frame sets.
  heard(nowMS, tasks, some) {
    if (this.#answered && !same(tasks, this.tasks)) [this.#since, this.#came] = [nowMS, undefined];
    this.tasks = tasks;
    this.#heard = nowMS;
    this.#answered = true;
    if (some) this.#came = nowMS;
  }

  // says what is known of a silence of more than three of the periods of the tasks, and at least a second; "" where
  // there is nothing to say. A period of 0 is not known.
  says(nowMS, periodsMS) {
    if (nowMS - this.#heard > this.answerMS) return `No answer about frames for ${ageText(nowMS - this.#heard)}.`;
    const quiet = nowMS - (this.#came ?? this.#since);
    const limit = periodsMS.length ? Math.max(1000, 3 * Math.min(...periodsMS)) : 1000;
    if (!this.#answered || quiet <= limit) return "";
    if (this.tasks.length === 0) return "No task is shown here: none runs.";
    const since = this.#came === undefined ? "No frame set yet" : `No frame set for ${ageText(quiet)}`;
    return `${since}: the daemon answers, and nothing of ${this.tasks.join(", ")} comes.`;
  }
}

const same = (a, b) => [...a].sort().join("\n") === [...b].sort().join("\n");
