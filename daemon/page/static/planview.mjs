// A plan before it is active: what each task would see, or why it does not fit and what
// would.

import { h } from "./dom.mjs";
import { duration, hertz, num, percent, volts, windowText, words } from "./units.mjs";

// planView shows a plan beside the active one. use is given what a person applies.
export function planView(app, plan, use) {
  return plan.refusal ? refusal(app, plan.refusal, use) : fits(app, plan);
}

function fits(app, plan) {
  const columns = ["Task", "Requested", "Planned", "Worst response", "Least slack", "Skew", "Longest hold", "Droop", "Fastest turn", "Utilization"];
  const rows = (plan.predictions ?? []).map((p) => h("tr", { data: { task: p.task } }, h("th", { scope: "row" }, p.task),
    [hertz(p.requested_rate_hz), hertz(p.planned_rate_hz), duration(p.worst_response_ns), duration(p.least_slack_ns), duration(p.skew_ns),
      num(p.worst_hold_ns) ? duration(p.worst_hold_ns) : "none", num(p.worst_hold_ns) ? volts(num(p.worst_droop_volts)) : "none",
      num(p.fastest_turn_rad_per_s) ? turns(num(p.fastest_turn_rad_per_s)) : "none",
      percent(p.bus_utilization) + (p.merged_with?.length ? ` (merged with ${p.merged_with.join(", ")})` : "")].map((v) => h("td", {}, v))));
  return h("div", { class: "preview fits" },
    h("p", {}, "Bus used: ", h("b", {}, percent(app.plan?.utilization)), " now, ", h("b", { id: "preview-utilization" }, percent(plan.utilization)), " afterwards. Found by ", plan.method ?? "", "."),
    h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, columns.map((c) => h("th", { scope: "col" }, c)))), h("tbody", {}, rows))),
    (plan.advice ?? []).length ? h("div", {}, h("h3", {}, "What would save bus time"), h("ul", {}, plan.advice.map((a) => h("li", {}, `${a.message} (${percent(a.saved_utilization)})`)))) : "");
}

// turns is a rate at which a body turns: what motion follows.
const turns = (v) => `${v.toPrecision(3)} rad/s`;

function refusal(app, r, use) {
  const facts = [["Reason", words(r.reason, "REFUSAL_REASON_")]];
  if (r.task) facts.push(["Task", r.task]);
  if (num(r.needed_ns)) facts.push(["Needed", duration(r.needed_ns)]);
  if (num(r.available_ns)) facts.push(["Available", duration(r.available_ns)]);
  if (num(r.utilization)) facts.push(["Bus asked for", percent(r.utilization)]);
  if (r.least_stretch) facts.push([r.least_stretch_exact ? "Least stretch of all periods that fits" : "A stretch of all periods that fits", `${times(r.least_stretch)}${stretched(r)}`]);
  const take = (label, change) => h("button", { type: "button", class: "small", onclick: () => use(change) }, label);
  const rates = (r.fitting_rates ?? []).map((b) => h("li", {}, `${b.task}: ${rateText(b)} `,
    b.task === r.task && num(b.rate_hz) ? take(`Use ${num(b.rate_hz)} Hz`, { rate_hz: b.rate_hz }) : ""));
  const ideas = (r.suggestions ?? []).map((s) => h("li", {}, s.message + " ",
    s.binning || s.window ? take(s.binning ? `Use binning ${num(s.binning.rows) || 1} × ${num(s.binning.columns) || 1}` : `Use ${windowText(s.window)}`, s) : ""));
  return h("div", { class: "preview refused" }, h("p", { id: "refusal" }, h("b", {}, "It does not fit. "), r.message ?? ""),
    h("dl", { class: "facts pairs" }, facts.map(([k, v]) => h("div", {}, h("dt", {}, k), h("dd", {}, v)))),
    ideas.length ? h("div", {}, h("h3", {}, "Changes that would make it fit"), h("ul", { id: "suggestions" }, ideas)) : "",
    rates.length ? h("div", {}, h("h3", {}, "Rate of each task, the others as asked"), h("ul", { id: "fitting-rates" }, rates)) : "");
}

// rateText says what is known of a rate that fits: proved the highest, or how far was searched.
function rateText(b) {
  const searched = num(b.searched_table_ns) ? `searched up to ${num(b.searched_up_to_hz)} Hz in timetables of up to ${duration(b.searched_table_ns)}`
    : `not every rate up to ${num(b.searched_up_to_hz)} Hz was ruled out`;
  if (b.witness) return `no rate fits, ${b.in_the_way} is in the way: ${b.witness}`;
  if (!num(b.rate_hz)) return `no rate was found; ${searched}`;
  return b.proved_highest ? `highest ${num(b.rate_hz)} Hz (proved; ${searched})` : `${num(b.rate_hz)} Hz fits (higher ones may; ${searched})`;
}

function stretched(r) {
  const all = (r.stretched ?? []).map((t) => `${t.task} ${num(t.rate_hz)} Hz${num(t.deadline_ns) ? ` with a deadline of ${duration(t.deadline_ns)}` : ""}`);
  return all.length ? `; as typed: ${all.join(", ")}` : "";
}

// times writes a factor, a numerator over a denominator, as a decimal number, rounded up to three places.
function times(fraction) {
  const a = BigInt(fraction.numerator ?? 0), b = BigInt(fraction.denominator ?? 1);
  const thousandths = (a * 1000n + b - 1n) / b;
  return `${Number(thousandths) / 1000} times`;
}
