// The connection: one stream of statuses is its heartbeat. It is given up after a silence,
// which is shown at once, and taken up again by itself with a growing wait.

import { stream, token } from "./api.mjs";
import { Spread } from "./turns.mjs";

const BEAT_MS = 400; // between two statuses
const SILENCE_MS = 1500; // after which the connection counts as lost
const FIRST_WAIT_MS = 300, LONGEST_WAIT_MS = 5000;

// Hub tells listeners of events by name.
export class Hub {
  #listeners = new Map();
  #spread = new Map();
  on(name, f) {
    if (!this.#listeners.has(name)) this.#listeners.set(name, []);
    this.#listeners.get(name).push(f);
  }
  emit(name, value) {
    for (const f of this.#listeners.get(name) ?? []) f(value);
  }
  // spread tells them in turns, each with the newest value: what comes again and again may take long together.
  spread(name, value) {
    if (!this.#spread.has(name)) this.#spread.set(name, new Spread(this.#listeners.get(name) ?? []));
    this.#spread.get(name).tell(value);
  }
}

// Link emits "status" with every status, "link" when its state changes, and "live" each
// time the connection was made.
export class Link {
  state = "loading"; // loading, live, lost, barred (a token is wanted), paused (nobody looks)
  reason = "";
  heard = 0; // when the last status came
  since = performance.now(); // of the state
  nextTry = 0;

  constructor(hub) {
    this.hub = hub;
    this.wake = () => {};
    this.abort = new AbortController();
  }

  get live() {
    return this.state === "live";
  }

  start() {
    setInterval(() => this.#watch(), 200);
    document.addEventListener("visibilitychange", () => this.#visible());
    window.addEventListener("online", () => this.tryNow());
    this.#run();
  }

  tryNow() {
    this.wake();
  }

  #visible() {
    if (document.visibilityState === "hidden") {
      this.abort.abort();
      this.#set("paused", "the page is hidden");
    } else this.tryNow();
  }

  #watch() {
    const silent = performance.now() - this.heard;
    if (this.state === "live" && silent > SILENCE_MS) {
      this.#set("lost", `nothing was heard from the daemon for ${(silent / 1000).toFixed(1)} s`);
      this.abort.abort();
    }
    this.hub.spread("tick");
  }

  async #run() {
    let wait = FIRST_WAIT_MS;
    for (;;) {
      if (document.visibilityState === "hidden") await this.#sleep(3600e3);
      this.abort = new AbortController();
      // A connection that is made but silent is as good as none.
      const dead = setTimeout(() => this.abort.abort(), 2 * SILENCE_MS);
      const used = token.get();
      try {
        for await (const m of stream("StatusService", "WatchStatus", { interval: `${BEAT_MS / 1000}s` }, this.abort.signal)) {
          clearTimeout(dead);
          wait = FIRST_WAIT_MS;
          this.heard = performance.now();
          const fresh = !this.live;
          if (fresh) this.#set("live", "");
          if (!fresh) this.hub.spread("status", m.status);
          else {
            this.hub.emit("status", m.status);
            this.hub.emit("live"); // when it is known what there is
          }
        }
        this.#lost("the daemon ended the stream");
      } catch (e) {
        const refused = e.code === "unauthenticated" || e.code === "permission_denied";
        if (refused && token.get() !== used) {
          // The refusal is of a token that was given up while it was under way.
          clearTimeout(dead);
          continue;
        }
        if (refused) this.#set("barred", e.message);
        else this.#lost(e.name === "AbortError" ? this.reason || "the daemon does not answer" : e.message);
        if (!(e.name === "AbortError" || e.code)) console.error(e);
      }
      clearTimeout(dead);
      this.nextTry = performance.now() + wait;
      await this.#sleep(wait * (0.8 + 0.4 * Math.random()));
      wait = Math.min(2 * wait, LONGEST_WAIT_MS);
    }
  }

  #lost(reason) {
    if (this.state === "paused" || this.state === "lost") this.reason ||= reason;
    else this.#set("lost", reason);
  }

  #set(state, reason) {
    this.state = state;
    this.reason = reason;
    this.since = performance.now();
    this.hub.emit("link");
  }

  #sleep(ms) {
    return new Promise((done) => {
      const timer = setTimeout(done, ms);
      this.wake = () => {
        clearTimeout(timer);
        done();
      };
    });
  }
}

// Feed is a stream, or what gives messages like one, that runs while the link lives and begins again when it ended
// early.
export class Feed {
  #abort;
  // open begins it each time, with the signal that will end it. A feed that is not wanted does
  // not run: browsers keep at most six connections to one address, streams included, over all
  // windows.
  constructor(link, hub, open, each, failed = () => {}) {
    Object.assign(this, { link, open, each, failed, wanted: true });
    hub.on("live", () => this.restart());
    hub.on("link", () => link.live || this.#abort?.abort());
  }

  want(wanted) {
    if (wanted === this.wanted) return;
    this.wanted = wanted;
    if (wanted) this.restart();
    else this.#abort?.abort();
  }

  async restart() {
    this.#abort?.abort();
    const abort = (this.#abort = new AbortController());
    let wait = FIRST_WAIT_MS;
    while (this.wanted && this.link.live && !abort.signal.aborted) {
      try {
        for await (const m of this.open(abort.signal)) {
          wait = FIRST_WAIT_MS;
          this.each(m);
        }
      } catch (e) {
        if (abort.signal.aborted) return;
        this.failed(e);
        if (!e.code) console.error(e);
        if (e.code === "unimplemented" || e.code === "permission_denied") return;
      }
      await new Promise((r) => setTimeout(r, wait));
      wait = Math.min(2 * wait, LONGEST_WAIT_MS);
    }
  }
}
