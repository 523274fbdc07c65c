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

// silence says that no frame set has come for too long, and what is known of it; "" where there is nothing to say.
// cameMS and heardMS are how long ago the last frame set and the last answer came, either undefined before the first;
// tasks are those that the last answer told of, limitMS is how long frame sets may take, answerMS how long answers.
export function silence({ cameMS, heardMS, tasks, limitMS, answerMS }) {
  if (heardMS === undefined) return "";
  if (heardMS > answerMS) return `No answer about frames for ${ageText(heardMS)}.`;
  if (tasks.length === 0) return "No task is shown here: none runs.";
  if (cameMS !== undefined && cameMS <= limitMS) return "";
  const since = cameMS === undefined ? "No frame set yet" : `No frame set for ${ageText(cameMS)}`;
  return `${since}: the daemon answers, and no job of ${tasks.join(", ")} ends.`;
}
