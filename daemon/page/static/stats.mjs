// Clocks, ages and short histories. Pure: every time is given.

// BusClock tells the bus time between messages. nowMS is a clock that only rises, in
// milliseconds.
export class BusClock {
  #real = true;
  #notes = []; // {bus, at, ahead}

  // note takes the bus time of a message when it came. On a bus in real time the message
  // that was least on its way says best how the clocks lie.
  note(busNS, nowMS, real) {
    const last = this.#notes[this.#notes.length - 1];
    if (real !== this.#real || (last && busNS < last.bus)) this.#notes = [];
    this.#real = real;
    this.#notes.push({ bus: busNS, at: nowMS, ahead: busNS - nowMS * 1e6 });
    while (this.#notes.length > 1 && nowMS - this.#notes[0].at > 10000) this.#notes.shift();
  }

  // now is the bus time, or undefined before the first note.
  now(nowMS) {
    const n = this.#notes;
    if (n.length === 0) return undefined;
    const last = n[n.length - 1];
    if (this.#real) return nowMS * 1e6 + n.reduce((m, e) => Math.max(m, e.ahead), -Infinity);
    const before = n[Math.max(0, n.length - 4)];
    const slope = last.at > before.at ? (last.bus - before.bus) / (last.at - before.at) : 0;
    return last.bus + slope * Math.min(1000, Math.max(0, nowMS - last.at));
  }
}

// isStale tells whether a picture is too old to act on: with no connection at once, else
// after three periods of its task, and at least a second.
export const isStale = (ageMS, periodMS, live) => !live || ageMS > Math.max(1000, 3 * (periodMS || 0));

// ageText writes an age in milliseconds.
export function ageText(ms) {
  if (ms < 995) return `${Math.round(ms)} ms`;
  if (ms < 59950) return `${(ms / 1000).toFixed(1)} s`;
  return `${Math.floor(ms / 60000)} min ${Math.floor((ms % 60000) / 1000)} s`;
}

// History keeps values with their times for a span.
export class History {
  constructor(spanMS) {
    this.spanMS = spanMS;
    this.points = [];
  }
  add(at, value) {
    this.points.push({ at, value });
    while (this.points.length > 0 && at - this.points[0].at > this.spanMS) this.points.shift();
  }
  // seed puts points before those that were added since.
  seed(points, spanMS = this.spanMS) {
    const last = points[points.length - 1]?.at ?? -Infinity;
    this.spanMS = spanMS;
    this.points = [...points, ...this.points.filter((p) => p.at > last)];
  }
  get last() {
    return this.points[this.points.length - 1]?.value;
  }
  // scaled are the points as x and y of 0 to 1 for the span that ends at nowMS; gaps longer
  // than gapMS begin a new line.
  lines(nowMS, low, high, gapMS = 3000) {
    const out = [];
    let line = [], before;
    for (const p of this.points) {
      if (before !== undefined && p.at - before > gapMS) {
        out.push(line);
        line = [];
      }
      before = p.at;
      line.push({ x: 1 - (nowMS - p.at) / this.spanMS, y: high > low ? (p.value - low) / (high - low) : 0.5 });
    }
    if (line.length) out.push(line);
    return out;
  }
  range() {
    let low = Infinity, high = -Infinity;
    for (const { value } of this.points) {
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
    return this.points.length ? [low, high] : [0, 1];
  }
}

// placed puts the runs of a history, as the API gives it, at times of a clock by which it ends now: the end of each step.
export function placed(runs, steps, stepMS, nowMS) {
  return (runs ?? []).flatMap((r) => r.means.map((mean, i) => ({
    at: nowMS - (steps - 1 - (r.first ?? 0) - i) * stepMS, mean, least: r.leasts[i], most: r.mosts[i],
  })));
}

// Meter counts things in the last span.
export class Meter {
  constructor(spanMS = 2000) {
    this.spanMS = spanMS;
    this.at = [];
  }
  add(nowMS, n = 1) {
    this.at.push([nowMS, n]);
  }
  perSecond(nowMS) {
    while (this.at.length && nowMS - this.at[0][0] > this.spanMS) this.at.shift();
    return this.at.reduce((sum, e) => sum + e[1], 0) / (this.spanMS / 1000);
  }
}

// median of numbers; 0 of none.
export function median(values) {
  if (values.length === 0) return 0;
  const v = [...values].sort((a, b) => a - b);
  return v[v.length >> 1];
}

// recentFractions are the fractions of bus time between two statuses of one timetable, from
// fractions since it took effect (at epochNS).
export function recentFractions(before, now, epochNS) {
  const t0 = before.busNS - epochNS, t1 = now.busNS - epochNS;
  const out = {};
  for (const [phase, fraction] of Object.entries(now.fractions)) {
    const v = t1 > t0 && t0 > 0 ? (fraction * t1 - (before.fractions[phase] ?? 0) * t0) / (t1 - t0) : fraction;
    out[phase] = Math.max(0, v);
  }
  return out;
}
