// Where the pictures go: by where the chips look. Pure.
//
// The body frame has x forward, y left, z up. The view is from behind, looking forward,
// equidistant: straight ahead is the middle, and the distance from it is the angle to
// straight ahead. Sideways is stretched, since screens are wider than high. Pictures that
// would lie over each other are then pushed apart.

export const STRETCH = 1.35;

// project puts a mount to x to the right and y down, in degrees from straight ahead.
export function project(mount) {
  const rad = Math.PI / 180;
  const yaw = (mount?.yaw_deg ?? 0) * rad, pitch = (mount?.pitch_deg ?? 0) * rad;
  const f = Math.cos(pitch) * Math.cos(yaw), l = Math.cos(pitch) * Math.sin(yaw), u = Math.sin(pitch);
  const off = Math.acos(Math.max(-1, Math.min(1, f))) / rad, side = Math.hypot(l, u);
  return side < 1e-9 ? { x: off > 90 ? 180 : 0, y: 0 } : { x: (-l / side) * off, y: (-u / side) * off };
}

// arrange places chips (each with a name and a mount) as boxes of width w and height hgt in
// the units of project, so that none lies over another. It returns the boxes' corners by
// name, from 0, and the size of the whole. Chips that all look the same way make a grid.
export function arrange(chips, w = 30, hgt = 33, gap = 3) {
  const at = chips.map((c) => project(c.mount));
  const spread = Math.max(0, ...at.map((p) => Math.hypot(p.x - at[0].x, p.y - at[0].y)));
  if (spread < 1) return grid(chips, w, hgt, gap);
  for (const p of at) p.x *= STRETCH;
  separate(at, w + gap, hgt + gap);
  return corners(chips, at, w, hgt);
}

// grid lays chips out in order.
export function grid(chips, w = 30, hgt = 33, gap = 3, columns = Math.ceil(Math.sqrt(chips.length * 1.6))) {
  return corners(chips, chips.map((_, i) => ({ x: (i % columns) * (w + gap), y: Math.floor(i / columns) * (hgt + gap) })), w, hgt);
}

function corners(chips, at, w, hgt) {
  const left = Math.min(...at.map((p) => p.x)), top = Math.min(...at.map((p) => p.y));
  const boxes = new Map();
  let width = w, height = hgt;
  chips.forEach((c, i) => {
    const b = { x: at[i].x - left, y: at[i].y - top, w, h: hgt };
    boxes.set(c.name, b);
    width = Math.max(width, b.x + w);
    height = Math.max(height, b.y + hgt);
  });
  return { boxes, width, height };
}

// bearings is how the directions of chips are put into an order: by yaw and pitch where all look forward, as those of an
// array that is a grid have them; else as project does.
export function bearings(chips) {
  const forward = chips.every(({ mount: m }) => Math.abs(m?.yaw_deg ?? 0) < 90 && Math.abs(m?.pitch_deg ?? 0) < 90);
  return forward ? (m) => ({ x: -(m?.yaw_deg ?? 0), y: -(m?.pitch_deg ?? 0) }) : project;
}

// ordered lays chips out in rows and columns that keep the order of their directions: whoever looks further up stands in
// no row below, and within a row whoever looks further left stands further left. Chips that look equally far up, as of
// an array that is a grid itself, keep to one row.
export function ordered(chips, w = 30, hgt = 33, gap = 3, ratio = 1.5) {
  const bearing = bearings(chips), at = new Map(chips.map((c) => [c, bearing(c.mount)]));
  const sorted = [...chips].sort((a, b) => at.get(a).y - at.get(b).y);
  const columns = Math.max(1, Math.ceil(Math.sqrt(chips.length * ratio * (hgt / w))));
  let rows = [];
  for (const c of sorted) {
    const row = rows.at(-1);
    if (row && at.get(c).y - at.get(row.at(-1)).y < 4) row.push(c);
    else rows.push([c]);
  }
  // Rows by direction alone, where they make about a rectangle; else as many to a row as fit.
  const longest = Math.max(0, ...rows.map((r) => r.length));
  if (rows.length > 2 * Math.sqrt(chips.length) || longest > 2 * columns) rows = Array.from({ length: Math.ceil(chips.length / columns) }, (_, i) => sorted.slice(i * columns, (i + 1) * columns));
  const boxes = new Map(), widest = Math.max(0, ...rows.map((r) => r.length)) * (w + gap) - gap;
  rows.forEach((row, i) => {
    const left = (widest - row.length * (w + gap) + gap) / 2;
    row.sort((a, b) => at.get(a).x - at.get(b).x).forEach((c, j) => boxes.set(c.name, { x: left + j * (w + gap), y: i * (hgt + gap), w, h: hgt }));
  });
  return { boxes, width: Math.max(0, widest), height: Math.max(0, rows.length * (hgt + gap) - gap) };
}

// direction is a word for where a mount looks.
export function direction(mount) {
  const rad = Math.PI / 180, yaw = (mount?.yaw_deg ?? 0) * rad, pitch = (mount?.pitch_deg ?? 0) * rad;
  const f = Math.cos(pitch) * Math.cos(yaw), l = Math.cos(pitch) * Math.sin(yaw), u = Math.sin(pitch);
  const most = Math.max(Math.abs(f), Math.abs(l), Math.abs(u));
  if (Math.abs(f) === most) return f > 0 ? "ahead" : "back";
  if (Math.abs(l) === most) return l > 0 ? "left" : "right";
  return u > 0 ? "up" : "down";
}

// grouped are the chips in groups with a name each: by "group" (a chip in several stands in the first), "lane" or
// "direction". What belongs to none comes last.
export function grouped(chips, by, groups = []) {
  const of = new Map();
  for (const g of groups) for (const c of g.chips ?? []) if (!of.has(c)) of.set(c, g.name);
  const name = { group: (c) => of.get(c.name) ?? "", lane: (c) => (c.lane ? `output lane ${c.lane}` : ""), direction: (c) => direction(c.mount) }[by] ?? (() => "");
  const out = new Map();
  for (const c of chips) out.set(name(c), [...(out.get(name(c)) ?? []), c]);
  return [...out].sort(([a], [b]) => (a === "") - (b === "")).map(([label, list]) => ({ label: label || "in no group", chips: list }));
}

// stacked lays groups out one below the other, each with space for its name and its chips in order.
export function stacked(groups, columns, w = 30, hgt = 33, gap = 3, head = 12) {
  const boxes = new Map(), labels = [];
  let y = 0, width = 0;
  for (const g of groups) {
    labels.push({ text: `${g.label}: ${g.chips.length}`, y });
    y += head;
    g.chips.forEach((c, i) => boxes.set(c.name, { x: (i % columns) * (w + gap), y: y + Math.floor(i / columns) * (hgt + gap), w, h: hgt }));
    y += Math.ceil(g.chips.length / columns) * (hgt + gap);
    width = Math.max(width, Math.min(columns, g.chips.length) * (w + gap) - gap);
  }
  return { boxes, width, height: Math.max(0, y - gap), labels };
}

// separate pushes points apart until boxes of the size about them are free of each other:
// every pair that overlaps moves along the axis on which it takes less.
function separate(at, w, hgt) {
  for (let round = 0; round < 2000; round++) {
    let moved = false;
    for (let i = 0; i < at.length; i++) {
      for (let j = i + 1; j < at.length; j++) {
        const dx = at[j].x - at[i].x, dy = at[j].y - at[i].y;
        const ox = w - Math.abs(dx), oy = hgt - Math.abs(dy);
        if (ox <= 1e-6 || oy <= 1e-6) continue;
        moved = true;
        if (ox <= oy) {
          const step = (ox / 2 + 1e-4) * (dx < 0 ? -1 : 1);
          at[i].x -= step;
          at[j].x += step;
        } else {
          const step = (oy / 2 + 1e-4) * (dy < 0 ? -1 : 1);
          at[i].y -= step;
          at[j].y += step;
        }
      }
    }
    if (!moved) return;
  }
}

// neighbour is the name of the box that lies next to one in a direction, or the same name
// where there is none: of those within a quarter turn, the nearest, sideways counting double.
export function neighbour(boxes, name, key) {
  const [dx, dy] = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[key];
  const from = boxes.get(name);
  let best = name, least = Infinity;
  for (const [other, b] of boxes) {
    const x = b.x - from.x, y = b.y - from.y;
    const along = x * dx + y * dy, across = Math.abs(x * dy) + Math.abs(y * dx);
    if (other === name || along <= 0 || across > along * 1.2) continue;
    if (along + 2 * across < least) {
      least = along + 2 * across;
      best = other;
    }
  }
  return best;
}
