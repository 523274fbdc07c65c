// What estimates of motion say, in numbers and words for people: no part of it touches the page.

import { num, words } from "./units.mjs";

const DEG = 180 / Math.PI;
const sd = (covariance, i) => Math.sqrt(Math.max(0, num(covariance?.[4 * i])));

// arrow is how the picture of a chip moved, as parts of its width and height, drawn larger by gain; undefined where that
// is not told, or not to a pixel.
export function arrow(chip, frame, gain = 4) {
  const c = chip.shift_covariance_px2 ?? [];
  if (chip.reason || !(num(c[0]) < 1) || !(num(c[2]) < 1) || !frame) return undefined;
  const x = (gain * num(chip.shift_x_px)) / Math.max(1, num(frame.columns)), y = (gain * num(chip.shift_y_px)) / Math.max(1, num(frame.rows));
  const long = Math.hypot(x, y);
  return long > 0.48 ? { x: (0.48 * x) / long, y: (0.48 * y) / long } : { x, y };
}

// reason is why a chip tells nothing, in a word; "unsure" where it tells less than a pixel.
export const reason = (chip) => words(chip.reason, "MOTION_REASON_") || "unsure";

// turns are the rates of the body's turn in degrees a second, each with how sure it is: to the left, up and to the right
// side down, as a driver would say it.
export function turns(body) {
  const r = body.rate_rad_per_s ?? [];
  const of = (i, sign) => ({ value: sign * num(r[i]) * DEG, sd: sd(body.rate_covariance, i) * DEG });
  return { left: of(2, 1), up: of(1, -1), right: of(0, 1) };
}

// heading is where the body goes, in degrees to the left of ahead and up; undefined where that is not told.
export function heading(body) {
  const v = (body.heading ?? []).map(num);
  if (v.length !== 3) return undefined;
  const c = body.heading_covariance;
  return { left: Math.atan2(v[1], v[0]) * DEG, up: Math.asin(Math.max(-1, Math.min(1, v[2]))) * DEG, sd: Math.sqrt(Math.max(0, num(c?.[0]) + num(c?.[4]) + num(c?.[8]))) * DEG };
}

// nearest are the chips that tell how near what they see is, the nearest first.
export const nearest = (body) => (body.chips ?? []).filter((c) => !c.left_out && c.nearness_per_s !== undefined)
  .map((c) => ({ chip: c.chip, per: num(c.nearness_per_s), sd: num(c.nearness_sd_per_s) })).sort((a, b) => b.per - a.per);

const signed = (v, digits = 1) => `${v < 0 ? "−" : ""}${Math.abs(v).toFixed(digits)}`;
const sure = (v) => `${signed(v.value)} ± ${v.sd.toPrecision(2)} °/s`;

// facts are what an estimate says, as pairs of words.
export function facts(estimate) {
  const body = estimate.body ?? {};
  if (!body.told) {
    const why = new Map();
    for (const c of estimate.chips ?? []) why.set(reason(c), (why.get(reason(c)) ?? 0) + 1);
    return [["Told", "nothing"], ["Chips", [...why].sort((a, b) => b[1] - a[1]).map(([w, n]) => `${n} ${w}`).join(", ") || "none"]];
  }
  const t = turns(body), h = heading(body), out = [["Turns left", sure(t.left)], ["up", sure(t.up)], ["right side down", sure(t.right)]];
  if (h) out.push(["Heads", `${signed(h.left)}° left, ${signed(h.up)}° up, ± ${h.sd.toFixed(1)}°`]);
  else out.push(["Heads", "not told"]);
  const [first] = nearest(body);
  if (first) out.push(["Nearest", `${first.chip}: ${first.per.toFixed(2)} ± ${first.sd.toFixed(2)} of its distance a second`]);
  if (body.contact_s !== undefined) out.push(["Wall ahead in", `${num(body.contact_s).toFixed(1)} ± ${num(body.contact_sd_s).toFixed(1)} s`]);
  out.push(["Left over", `${num(body.chi_squared).toFixed(2)} of the noise`]);
  return out;
}

// dial places what an instrument shows from above, ahead being up, in a circle of radius 1 with y downwards: the heading,
// of each chip that tells it how near it is, as a length from the rim inwards, and how far the body turns in a second.
export function dial(estimate, yawOf) {
  const body = estimate.body ?? {};
  const place = (deg) => ({ x: -Math.sin(deg / DEG), y: -Math.cos(deg / DEG) });
  const near = nearest(body), most = Math.max(0.2, ...near.map((c) => c.per));
  const h = body.told ? heading(body) : undefined;
  return {
    heading: h && place(h.left),
    turn: body.told ? Math.max(-170, Math.min(170, turns(body).left.value)) : undefined,
    near: near.filter((c) => yawOf(c.chip) !== undefined).map((c) => ({ chip: c.chip, ...place(yawOf(c.chip)), long: Math.max(0, c.per) / most })),
  };
}
