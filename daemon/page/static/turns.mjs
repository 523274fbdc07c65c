// Work in turns: the browser draws, and answers whoever clicks, between two of them. A turn is well below the 50 ms after
// which a person notices.

const TURN_MS = 8;

// next comes when the browser has had a turn.
const next = () => (globalThis.scheduler?.yield ? globalThis.scheduler.yield() : new Promise((go) => setTimeout(go)));

// turns makes a function to be awaited between two pieces of work: it gives the browser a turn where this one has been
// long enough. now tells milliseconds.
export function turns(now = () => performance.now(), give = next) {
  let began = now();
  return async () => {
    if (now() - began < TURN_MS) return;
    await give();
    began = now();
  };
}

// Spread tells listeners in turns. What is told again before all have heard it comes when they have; of what was told
// meanwhile the last alone.
export class Spread {
  #told = false;
  #waiting = false;
  #value;
  constructor(listeners, { now, give = next, wrong = console.error } = {}) {
    Object.assign(this, { listeners, now, give, wrong });
  }
  async tell(value) {
    this.#value = value;
    this.#waiting = true;
    if (this.#told) return;
    this.#told = true;
    while (this.#waiting) {
      this.#waiting = false;
      const now = this.#value;
      await this.give(); // what told it has done its part of this turn
      const turn = turns(this.now, this.give);
      for (const f of this.listeners) {
        try {
          f(now);
        } catch (e) {
          this.wrong(e);
        }
        await turn();
      }
    }
    this.#told = false;
  }
}
