// The page of a hub: what the server sends each second is put into a table that is kept sorted, the worst first.

const robots = new Map(); // by name: { line, at, row }
const body = document.querySelector("#robots tbody");
const find = document.querySelector("#find");
const link = document.querySelector("#link");
let order = []; // rows as they stand

const level = (r) => r.rank >= 7 ? "bad" : r.rank === 6 ? "old" : r.rank >= 3 ? "warn" : "";

export function age(seconds) {
  if (seconds < 10) return `${seconds.toFixed(1)} s`;
  if (seconds < 120) return `${seconds.toFixed(0)} s`;
  if (seconds < 7200) return `${(seconds / 60).toFixed(0)} min`;
  if (seconds < 172800) return `${(seconds / 3600).toFixed(0)} h`;
  return `${(seconds / 86400).toFixed(0)} d`;
}

// Copies of one row are made several times as fast as rows from their parts.
const template = document.createElement("tr");
template.setAttribute("role", "row");
template.innerHTML = `<th role="rowheader" scope="row"></th>${["word", "num", "", ...Array(6).fill("num"), ""]
  .map((kind) => `<td role="cell" class="${kind}"></td>`).join("")}<td role="cell"><button type="button">Look</button></td>`;

function makeRow(name) {
  const row = template.cloneNode(true);
  row.dataset.name = name;
  row.lastChild.firstChild.ariaLabel = `Look through ${name}`;
  return row;
}

body.addEventListener("click", (click) => {
  if (click.target.tagName === "BUTTON") open(click.target.closest("tr").dataset.name);
});

function text(cell, value) {
  if (cell.textContent !== value) cell.textContent = value;
}

function fill(row, r, first) {
  if (first || row.dataset.page !== (r.page ?? "")) {
    row.dataset.page = r.page ?? "";
    if (r.page) {
      const a = document.createElement("a");
      a.href = r.page;
      a.rel = "noreferrer";
      a.textContent = r.name;
      row.cells[0].replaceChildren(a);
    } else {
      row.cells[0].textContent = r.name;
    }
  }
  row.dataset.level = level(r);
  [r.word, age(r.age), r.state, r.alarms, r.late, r.failed, r.rules, `${(100 * r.bus).toFixed(1)} %`, r.behind, r.what]
    .reduce((cell, value) => {
      if (first) cell.append(String(value));
      else text(cell, String(value));
      return cell.nextSibling;
    }, row.firstChild.nextSibling);
}

const worse = (a, b) => b.line.rank - a.line.rank || b.line.alarms - a.line.alarms ||
  (a.line.name < b.line.name ? -1 : a.line.name > b.line.name ? 1 : 0);

function shown(r) {
  const want = find.value.trim().toLowerCase();
  return want === "" || r.name.toLowerCase().includes(want) || r.word.includes(want);
}

// arrange puts rows where they belong and touches none that stands there.
function arrange() {
  const wanted = [...robots.values()].filter((e) => shown(e.line)).sort(worse).map((e) => e.row);
  if (wanted.length === order.length && wanted.every((row, i) => row === order[i])) return;
  const keep = new Set(wanted);
  for (const row of order) if (!keep.has(row)) row.remove();
  order = wanted;
  let at = body.firstChild;
  const behind = document.createDocumentFragment();
  for (const row of wanted) {
    if (row === at) {
      at = at.nextSibling;
    } else if (at === null) {
      behind.append(row);
    } else {
      body.insertBefore(row, at);
    }
  }
  body.append(behind);
}

function tally() {
  const by = new Map();
  for (const { line } of robots.values()) by.set(line.word, (by.get(line.word) ?? 0) + 1);
  const words = ["fault", "bad", "silent", "no daemon", "degraded", "stopped", "not judged", "good"];
  document.querySelector("#tally").textContent = [`${robots.size} robots`,
    ...words.filter((w) => by.has(w)).map((w) => `${by.get(w)} ${w}`)].join(", ");
}

const mostAlarms = 200;

// takeAlarms lists the alarms of all robots, the worst first and then the newest.
function takeAlarms() {
  const all = [];
  for (const { line } of robots.values()) {
    for (const a of line.list ?? []) all.push({ robot: line.name, page: line.page, ...a });
  }
  all.sort((a, b) => (a.state === "bad" ? 0 : 1) - (b.state === "bad" ? 0 : 1) || (a.since < b.since ? 1 : -1));
  const key = JSON.stringify(all);
  if (key === takeAlarms.key) return;
  takeAlarms.key = key;
  const counted = [...robots.values()].reduce((n, { line }) => n + line.alarms, 0);
  const listed = Math.min(all.length, mostAlarms);
  document.querySelector("#alarms-note").textContent = counted === 0 ? "None that nobody has acknowledged." :
    listed < counted ? `${listed} of ${counted}: a robot lists 20 at most, this page ${mostAlarms}.` : "";
  document.querySelector("#alarms").replaceChildren(...all.slice(0, mostAlarms).map((a) => {
    const item = document.createElement("li");
    item.dataset.severity = a.state === "bad" ? "error" : "warning";
    const robot = document.createElement(a.page ? "a" : "span");
    if (a.page) Object.assign(robot, { href: a.page, rel: "noreferrer" });
    robot.textContent = a.robot;
    const cells = [a.since.replace("T", " ").slice(0, 19), robot, a.state, `${a.text} ${a.action}`];
    for (const value of cells) {
      const cell = document.createElement("span");
      cell.append(value);
      item.append(cell);
    }
    return item;
  }));
}

function takeEvents(events) {
  const list = document.querySelector("#events");
  for (const e of events) {
    const item = document.createElement("li");
    item.dataset.severity = e.severity;
    for (const value of [e.time.replace("T", " ").slice(0, 19), e.robot, e.severity, e.text]) {
      const span = document.createElement("span");
      span.textContent = value;
      item.append(span);
    }
    list.prepend(item);
  }
  while (list.children.length > 200) list.lastChild.remove();
}

function take(message) {
  const now = performance.now();
  for (const line of message.robots ?? []) {
    const e = robots.get(line.name) ?? { row: null };
    const first = e.row === null;
    if (first) e.row = makeRow(line.name);
    e.line = line;
    e.at = now;
    robots.set(line.name, e);
    fill(e.row, line, first);
  }
  for (const name of message.gone ?? []) {
    robots.delete(name);
  }
  arrange();
  tally();
  takeAlarms();
  takeEvents(message.events ?? []);
  link.dataset.state = message.hub ? "live" : "lost";
  link.textContent = message.hub ? "Live" : "The hub is away: all of this is old";
  document.body.dataset.link = link.dataset.state;
  document.body.dataset.robots = robots.size;
}

// An age goes on while nothing comes.
setInterval(() => {
  const now = performance.now();
  for (const { line, at, row } of robots.values()) {
    if (now - at > 1500) text(row.cells[2], age(line.age + (now - at) / 1000));
  }
}, 1000);

find.addEventListener("input", arrange);

const changes = new EventSource("/fleet/changes");
changes.addEventListener("open", () => document.querySelector("#events").replaceChildren());
changes.addEventListener("changes", (m) => take(JSON.parse(m.data)));
changes.addEventListener("error", () => {
  link.dataset.state = document.body.dataset.link = "lost";
  link.textContent = "No connection: all of this is old";
});

let looking = null;

function close() {
  looking?.close();
  looking = null;
  document.querySelector("#look").hidden = true;
}

// open looks through a robot for as long as its panel is open.
function open(name) {
  close();
  const panel = document.querySelector("#look");
  const sets = document.querySelector("#sets");
  const note = document.querySelector("#look-note");
  panel.hidden = false;
  sets.replaceChildren();
  note.textContent = "Asking the robot for thumbnails…";
  document.querySelector("#look-title").textContent = `Thumbnails of ${name}`;
  looking = new EventSource(`/fleet/thumbnails?robot=${encodeURIComponent(name)}`);
  const by = new Map();
  looking.addEventListener("set", (m) => {
    note.textContent = "Stretched to each picture's own range; not for measuring. Sent only while this is open.";
    paint(sets, by, JSON.parse(m.data));
  });
  looking.addEventListener("trouble", (m) => { note.textContent = JSON.parse(m.data).text; });
  document.querySelector("#look-close").focus();
}

function paint(sets, by, set) {
  let figure = by.get(set.task);
  if (!figure) {
    figure = document.createElement("figure");
    figure.append(document.createElement("figcaption"), document.createElement("div"));
    figure.lastChild.className = "row";
    by.set(set.task, figure);
    sets.append(figure);
  }
  figure.firstChild.textContent = `${set.task}, job ${set.job}` + (set.failure ? `: ${set.failure}` : "");
  figure.lastChild.replaceChildren(...set.pictures.map((p) => {
    const canvas = document.createElement("canvas");
    canvas.width = p.width;
    canvas.height = p.height;
    const image = new ImageData(p.width, p.height);
    [...atob(p.pixels)].forEach((c, i) => image.data.set([c.charCodeAt(0), c.charCodeAt(0), c.charCodeAt(0), 255], 4 * i));
    canvas.getContext("2d").putImageData(image, 0, 0);
    canvas.setAttribute("role", "img");
    canvas.setAttribute("aria-label", `${p.chip} of ${set.task}`);
    const box = document.createElement("div");
    box.append(canvas, p.chip);
    return box;
  }));
}

document.querySelector("#look-close").addEventListener("click", close);
