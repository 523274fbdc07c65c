// The form of a task: from a task to fields and back. What the form has no field for, such
// as explicit shares, stays as it was.

import { h, select, setOptions } from "./dom.mjs";
import { num, seconds, toSeconds } from "./units.mjs";

const sizes = ["1", "2", "4", "8"].map((v) => [v, v]);

// TaskForm makes the fields; changed is called when one of them changes.
export class TaskForm {
  constructor(app, prefix, changed) {
    Object.assign(this, { app, prefix, changed });
    this.views = [];
    this.name = this.input("Name", { required: true, maxlength: "64", size: "14", spellcheck: "false" }, "name");
    this.rate = this.input("Rate", { type: "number", min: "0", step: "any", required: true }, "rate", "Hz");
    this.interval = this.input("or least interval between triggers", { type: "number", min: "0", step: "any" }, "interval", "ms");
    this.interval.box.addEventListener("input", () => this.oneOfBoth());
    this.target = new TargetPicker(app, prefix, changed);
    this.deadline = this.input("Deadline", { type: "number", min: "0", step: "any", placeholder: "period" }, "deadline", "ms");
    this.hold = this.input("Longest hold", { type: "number", min: "0", step: "any", placeholder: "no limit" }, "hold", "ms");
    this.skew = this.input("Largest skew", { type: "number", min: "0", step: "any", placeholder: "no limit" }, "skew", "ms");
    this.pair = this.input("Pairs of frames, apart by", { type: "number", min: "0", step: "any", placeholder: "no pairs" }, "pair", "ms");
    this.viewBox = h("div");
    this.node = h("div", {},
      h("div", { class: "row" }, this.name.node, this.rate.node, this.target.node),
      this.target.chips,
      h("div", { class: "row" }, this.interval.node, this.deadline.node, this.hold.node, this.skew.node, this.pair.node),
      this.viewBox,
      h("button", { type: "button", class: "small", onclick: () => this.addView({}) }, "Add a view"));
    this.addView({});
  }

  input(label, props, id, unit) {
    const box = h("input", { ...props, id: `${this.prefix}-${id}`, oninput: () => this.changed() });
    return { box, node: h("label", {}, label + " ", box, unit ? " " + unit : "") };
  }

  addView(view) {
    const v = new ViewFields(this.app, `${this.prefix}-view${this.views.length}`, view, this.changed, this.views.length > 0 && (() => {
      this.views = this.views.filter((o) => o !== v);
      v.node.remove();
      this.changed();
    }));
    this.views.push(v);
    this.viewBox.append(v.node);
    this.changed();
  }

  // oneOfBoth asks for a rate where there is no least interval, which a sporadic task has in its place.
  oneOfBoth() { this.rate.box.required = this.interval.box.value === ""; }

  // set fills the form from a task.
  set(task) {
    const ms = (d) => (seconds(d) === undefined ? "" : String(seconds(d) / 1e6));
    this.name.box.value = task.name ?? "";
    this.rate.box.value = task.rate_hz || "";
    this.interval.box.value = ms(task.least_interval);
    this.oneOfBoth();
    this.target.set(task.target ?? { all: {} });
    this.deadline.box.value = ms(task.deadline);
    this.hold.box.value = ms(task.max_hold);
    this.skew.box.value = ms(task.max_skew);
    this.pair.box.value = ms(task.pair_interval);
    this.views = [];
    this.viewBox.replaceChildren();
    for (const v of task.views?.length ? task.views : [{}]) this.addView(v);
  }

  // get is the task in the form.
  get() {
    const task = { name: this.name.box.value.trim(), target: this.target.get(), rate_hz: num(this.rate.box.value) };
    const ms = (key, box) => {
      if (box.value !== "") task[key] = toSeconds(num(box.value) * 1e6);
    };
    ms("least_interval", this.interval.box);
    ms("deadline", this.deadline.box);
    ms("max_hold", this.hold.box);
    ms("max_skew", this.skew.box);
    ms("pair_interval", this.pair.box);
    task.views = this.views.map((v) => v.get());
    return task;
  }
}

// TargetPicker chooses all chips, a group, or chips by name.
export class TargetPicker {
  constructor(app, prefix, changed) {
    Object.assign(this, { app, prefix, changed });
    this.select = select("Chips", [["all", "all"]], "all", () => {
      this.chips.hidden = this.select.box.value !== "list";
      changed();
    });
    this.select.box.id = prefix + "-target";
    this.node = this.select.node;
    this.chips = h("fieldset", { class: "picks", hidden: true });
    app.hub.on("array", () => this.fill());
    if (app.array) this.fill();
  }

  fill() {
    setOptions(this.select.box, [["all", "all"], ...(this.app.array.groups ?? []).map((g) => ["group:" + g.name, "group " + g.name]), ["list", "chosen by name…"]]);
    this.chips.replaceChildren(h("legend", {}, "Chips of the task"), ...(this.app.array.chips ?? []).map((c) =>
      h("label", {}, h("input", { type: "checkbox", value: c.name, onchange: () => this.changed() }), " " + c.name)));
    this.set(this.wanted ?? { all: {} });
  }

  set(target) {
    this.wanted = target;
    this.select.box.value = target.all ? "all" : target.group ? "group:" + target.group : "list";
    const names = new Set(target.list?.names ?? []);
    for (const box of this.chips.querySelectorAll("input")) box.checked = names.has(box.value);
    this.chips.hidden = this.select.box.value !== "list";
  }

  get() {
    const v = this.select.box.value;
    if (v === "all") return { all: {} };
    if (v.startsWith("group:")) return { group: v.slice(6) };
    return { list: { names: [...this.chips.querySelectorAll("input:checked")].map((b) => b.value) } };
  }
}

// ViewFields are the fields of one view. remove is called by its button, where there is one.
export class ViewFields {
  constructor(app, prefix, view, changed, remove) {
    Object.assign(this, { app, view });
    const choice = (label, value) => {
      const s = select(label, sizes, String(num(value) || 1), changed);
      return s;
    };
    const number = (label, value, key) => {
      const box = h("input", { type: "number", min: "0", step: "1", value: value ? String(value) : "", placeholder: "auto", id: `${prefix}-${key}`, oninput: () => changed() });
      return { box, node: h("label", {}, label + " ", box) };
    };
    const w = view.window ?? {};
    this.name = h("input", { value: view.name ?? "", size: "10", placeholder: "view-1", spellcheck: "false", oninput: () => changed(), id: prefix + "-name" });
    this.binRows = choice("Binning rows", view.binning?.rows);
    this.binRows.box.id = prefix + "-binrows";
    this.binColumns = choice("columns", view.binning?.columns);
    this.binColumns.box.id = prefix + "-bincolumns";
    this.smoothing = number("Smoothing steps", view.smoothing_steps, "smoothing");
    this.smoothing.box.placeholder = "0";
    this.window = {
      row: number("First row", w.row, "row"), column: number("First column", w.column, "column"), rows: number("Rows", w.rows, "rows"),
      columns: number("Columns", w.columns, "columns"), row_step: number("Row step", w.row_step, "rowstep"), column_step: number("Column step", w.column_step, "columnstep"),
    };
    const register = (label, value, key, min, max, nothing) => {
      const f = number(label, undefined, key);
      Object.assign(f.box, { min: String(min), max: String(max), placeholder: nothing });
      if (value !== undefined && value !== null && value !== 0) f.box.value = String(value);
      return f;
    };
    const t = view.trim ?? {};
    this.trim = {
      gain_index: register("Gain, from 0 on", t.gain_index, "gain", 0, 255, "0"), offset: register("Offset", t.offset, "offset", -128, 127, "0"),
      pixel_bias: register("Pixel bias", t.pixel_bias ?? undefined, "pixelbias", 0, 255, "nominal"),
      output_bias: register("Output bias", t.output_bias ?? undefined, "outputbias", 0, 255, "nominal"),
    };
    for (const key of ["pixel_bias", "output_bias"]) if (t[key] === 0) this.trim[key].box.value = "0"; // which is not nominal
    const kept = [(view.shares ?? []).length && "explicit shares", view.exposure && "an exposure",
      view.movable && "bounds of what moves", view.automatic && "automatic exposure"].filter(Boolean);
    this.node = h("fieldset", {}, h("legend", {}, "View"),
      h("div", { class: "row" }, h("label", {}, "Name ", this.name), this.binRows.node, this.binColumns.node, this.smoothing.node,
        remove && h("button", { type: "button", class: "small", onclick: remove }, "Remove this view")),
      h("details", { open: !!view.window }, h("summary", { class: "small" }, "Window: which pixels are read (nothing means all)"), h("div", { class: "row" }, Object.values(this.window).map((f) => f.node))),
      h("details", { open: !!view.trim }, h("summary", { class: "small" }, "Trim: gain, offset and biases, of chips that have them"), h("div", { class: "row" }, Object.values(this.trim).map((f) => f.node))),
      kept.length ? h("p", { class: "small muted" }, `It also has ${kept.join(" and ")}, which stay as they are.`) : "");
  }

  setBinning(b) {
    this.binRows.box.value = String(num(b.rows) || 1);
    this.binColumns.box.value = String(num(b.columns) || 1);
  }

  setWindow(w) {
    for (const [key, f] of Object.entries(this.window)) f.box.value = w[key] ? String(w[key]) : "";
    this.node.querySelector("details").open = true;
  }

  get() {
    const out = {};
    for (const key of ["shares", "exposure", "movable", "automatic"]) if (this.view[key]) out[key] = this.view[key];
    if (this.name.value.trim()) out.name = this.name.value.trim();
    const rows = num(this.binRows.box.value), columns = num(this.binColumns.box.value);
    if (rows > 1 || columns > 1) out.binning = { rows, columns };
    if (num(this.smoothing.box.value)) out.smoothing_steps = num(this.smoothing.box.value);
    const window = {};
    for (const [key, f] of Object.entries(this.window)) if (num(f.box.value)) window[key] = num(f.box.value);
    if (Object.keys(window).length) out.window = window;
    const trim = {};
    for (const [key, f] of Object.entries(this.trim)) {
      if (f.box.value !== "" && (key.endsWith("bias") || num(f.box.value))) trim[key] = num(f.box.value);
    }
    if (Object.keys(trim).length) out.trim = trim;
    return out;
  }
}
