// Numbers in words, always with their unit. Pure.

// num reads a number of the API: 64-bit integers are strings, defaults are left out.
export const num = (v) => (v === undefined || v === null || v === "" ? 0 : Number(v));

const fixed = (v, digits) => v.toLocaleString("en", { minimumFractionDigits: digits, maximumFractionDigits: digits, useGrouping: false });

// duration writes nanoseconds in the unit that leaves at most four digits.
export function duration(ns) {
  const v = num(ns), a = Math.abs(v);
  if (a >= 3600e9) return fixed(v / 3600e9, 1) + " h";
  if (a >= 60e9) return fixed(v / 60e9, 1) + " min";
  if (a >= 1e9) return fixed(v / 1e9, a >= 10e9 ? 1 : 2) + " s";
  if (a >= 1e6) return fixed(v / 1e6, a >= 100e6 ? 0 : a >= 10e6 ? 1 : 2) + " ms";
  if (a >= 1e3) return fixed(v / 1e3, a >= 100e3 ? 0 : 1) + " µs";
  return v + " ns";
}

// age writes how old something is, as the commands do.
export function age(ns) {
  const s = num(ns) / 1e9;
  if (s < 60) return fixed(s, 0) + " s";
  if (s < 7200) return fixed(s / 60, 0) + " min";
  return s < 48 * 3600 ? fixed(s / 3600, 0) + " h" : fixed(s / 86400, 0) + " d";
}

export const hertz = (v) => fixed(num(v), num(v) >= 100 ? 1 : 2) + " Hz";
export const percent = (v, digits = 1) => fixed(num(v) * 100, digits) + " %";
export const count = (n, one, many = one + "s") => `${num(n)} ${num(n) === 1 ? one : many}`;
export const volts = (v) => (Math.abs(v) >= 0.1 ? fixed(v, 3) + " V" : fixed(v * 1e3, 2) + " mV");

export function bytes(n) {
  let v = num(n);
  for (const unit of ["B", "KiB", "MiB"]) {
    if (v < 1024) return fixed(v, unit === "B" ? 0 : 1) + " " + unit;
    v /= 1024;
  }
  return fixed(v, 2) + " GiB";
}

// clock writes an instant in local time with milliseconds.
export function clock(iso) {
  const d = new Date(iso);
  if (Number.isNaN(d.getTime())) return "unknown";
  const two = (x) => String(x).padStart(2, "0");
  return `${two(d.getHours())}:${two(d.getMinutes())}:${two(d.getSeconds())}.${String(d.getMilliseconds()).padStart(3, "0")}`;
}

// words turns the name of an enum value into words: EVENT_KIND_TASK_ADDED, EVENT_KIND_
// becomes "task added".
export const words = (name, prefix = "") => (name ?? "").slice(prefix.length).toLowerCase().replaceAll("_", " ");

// seconds reads a duration of the API, such as "0.040s", in nanoseconds; undefined where
// there is none.
export const seconds = (d) => (d === undefined || d === null ? undefined : Number(String(d).replace(/s$/, "")) * 1e9);

// toSeconds writes nanoseconds as the API does, without losing one.
export function toSeconds(ns) {
  const whole = Math.round(ns);
  const s = Math.floor(whole / 1e9);
  return `${s}.${String(whole - s * 1e9).padStart(9, "0")}s`;
}

// targetText says what a target is.
export function targetText(t) {
  if (!t) return "nothing";
  if (t.all) return "all chips";
  if (t.group) return "group " + t.group;
  return (t.list?.names ?? []).join(", ");
}

// windowText says what a window reads: its first and last row and column, and the steps.
export function windowText(w) {
  if (!w) return "the whole lattice";
  const span = (name, first, n, step) => {
    const each = num(step) || 1, last = num(first) + (num(n) - 1) * each;
    return `${name} ${num(first)} to ${last}${each > 1 ? ` by ${each}` : ""}`;
  };
  return `${span("rows", w.row, w.rows, w.row_step)}, ${span("columns", w.column, w.columns, w.column_step)}`;
}
