// Adding, changing and removing tasks, with the plan shown before it is active.

import { call } from "./api.mjs";
import { byID, h, text } from "./dom.mjs";
import * as rooms from "./rooms.mjs";
import { planView } from "./planview.mjs";
import { TaskForm } from "./taskform.mjs";
import { duration, num } from "./units.mjs";

let app, form, preview, apply, said, shown, mode, removing = "", previewed = "";

export function start(a) {
  app = a;
  said = h("p", { class: "said", id: "change-said", role: "status" });
  shown = h("div", { id: "preview", "aria-live": "polite" });
  mode = h("p", { class: "small muted", id: "change-mode" });
  preview = h("button", { class: "main", id: "preview-button" }, "Preview");
  apply = h("button", { type: "button", class: "main", id: "apply-button", disabled: true, onclick: doApply }, "Apply");
  form = new TaskForm(app, "task", changed);
  const fresh = h("button", { type: "button", onclick: () => {
    form.set({ target: { all: {} } });
    clear();
  } }, "Start over");
  byID("change-body").append(h("form", { id: "task-form", onsubmit: doPreview }, form.node, mode, h("div", { class: "row actions" }, preview, apply, fresh)), shown, said);
  app.hub.on("edit", edit);
  app.hub.on("remove", remove);
  app.hub.on("plan", changed);
}

const running = (name) => (app.plan?.tasks ?? []).some((t) => t.name === name);

// asked is the task in the form, which stays paused where it is.
function asked() {
  const task = form.get();
  if (app.status?.tasks?.find((t) => t.task.name === task.name)?.status?.paused) task.paused = true;
  return task;
}

function clear() {
  removing = "";
  previewed = "";
  shown.replaceChildren();
  text(said, "");
  changed();
}

// changed keeps what is applied the same as what was shown.
function changed() {
  if (!form) return;
  apply.disabled = removing === "" && previewed !== JSON.stringify(form.get());
  const name = form.name.box.value.trim();
  text(mode, removing ? `Removes the task ${removing}.` : running(name) ? `Changes the running task ${name}; its jobs go on being counted.` : name ? `Adds the task ${name}.` : "Give the task a name.");
}

function edit(name) {
  form.set((app.plan?.tasks ?? []).find((t) => t.name === name) ?? {});
  clear();
  reveal(form.rate.box);
}

function reveal(node) {
  rooms.reveal("change");
  node.focus({ preventScroll: true });
}

async function ask(request, label) {
  app.say(said, "", "Planning…");
  apply.disabled = true;
  try {
    const { plan } = await call("PlanService", "PreviewPlan", request);
    shown.replaceChildren(planView(app, plan ?? {}, use));
    const fits = !plan?.refusal;
    app.say(said, fits ? "ok" : "warn", fits ? `${label} fits. Nothing has changed yet.` : `${label} does not fit. Nothing has changed.`);
    return fits;
  } catch (e) {
    shown.replaceChildren();
    app.say(said, "bad", e.message);
    if (!e.code) console.error(e);
    return false;
  }
}

async function doPreview(e) {
  e.preventDefault();
  removing = "";
  const task = asked();
  const fits = await ask({ changes: running(task.name) ? { update: [{ task }] } : { add: [task] } }, `The task ${task.name}`);
  previewed = fits ? JSON.stringify(form.get()) : "";
  changed();
}

async function remove(name) {
  removing = name;
  previewed = "";
  reveal(apply);
  const fits = await ask({ changes: { remove: [{ name }] } }, `The plan without ${name}`);
  if (!fits) removing = "";
  changed();
  if (fits) apply.focus();
}

// use takes a suggestion of a refusal into the form.
function use(change) {
  if (change.rate_hz) form.rate.box.value = String(change.rate_hz);
  for (const v of form.views) {
    if (change.binning) v.setBinning(change.binning);
    if (change.window) v.setWindow(change.window);
  }
  changed();
  preview.focus();
}

async function doApply() {
  const task = asked(), gone = removing;
  apply.disabled = true;
  try {
    let got;
    if (gone) got = await call("TaskService", "DeleteTask", { name: gone });
    else got = await call("TaskService", running(task.name) ? "UpdateTask" : "CreateTask", { task });
    clear();
    app.say(said, "ok", `${gone ? `The task ${gone} is removed` : `The task ${task.name} runs`}, from bus time ${duration(num(got.effective_bus_ns))} on.`);
  } catch (e) {
    removing = "";
    previewed = "";
    app.say(said, "bad", e.message);
    changed();
    if (!e.code) console.error(e);
  }
}
