// The sphere of all directions, as pictures of it and as chips see it. Pure.
//
// The body frame has x forward, y left, z up. A picture of the sphere is a grid of points; at each stands, for a chip,
// where on its lens that direction falls, so that what a chip shows can be drawn there by what lies between the points.

const RAD = Math.PI / 180;

// views are the pictures of the sphere: how wide they are to their height, and the direction at a place of them
// (fractions from the left and from the top), or undefined where there is none.
export const views = {
  // All directions by yaw (left is left) and pitch.
  sphere: { ratio: 2, ray: (x, y) => ray((0.5 - x) * 360, (0.5 - y) * 180) },
  // As from behind the array, looking ahead: the distance from the middle is the angle to straight ahead.
  ahead: {
    ratio: 1,
    ray: (x, y) => {
      const u = 2 * x - 1, v = 2 * y - 1, off = Math.hypot(u, v);
      if (off > 1) return undefined;
      const side = off < 1e-12 ? 0 : Math.sin(off * Math.PI) / off;
      return [Math.cos(off * Math.PI), -u * side, -v * side];
    },
  },
};

// ray is the direction of a yaw and a pitch in degrees.
export function ray(yaw, pitch) {
  const c = Math.cos(pitch * RAD);
  return [c * Math.cos(yaw * RAD), c * Math.sin(yaw * RAD), Math.sin(pitch * RAD)];
}

// placeOf is where in a view a direction lies: fractions from the left and from the top.
export function placeOf(view, [x, y, z]) {
  if (view === "sphere") return [0.5 - Math.atan2(y, x) / (2 * Math.PI), 0.5 - Math.asin(Math.max(-1, Math.min(1, z))) / Math.PI];
  const side = Math.hypot(y, z), off = Math.atan2(side, x) / Math.PI;
  return side < 1e-12 ? [off > 0.5 ? 1 : 0.5, 0.5] : [0.5 - (y / side) * off / 2, 0.5 - (z / side) * off / 2];
}

const radius = {
  PROJECTION_RECTILINEAR: [(a) => Math.tan(a), 1.5],
  PROJECTION_EQUIDISTANT: [(a) => a, Math.PI],
  PROJECTION_STEREOGRAPHIC: [(a) => 2 * Math.tan(a / 2), 3.1],
};

// onLens is where on a chip's lattice a direction falls, as column and row of its geometry (see ChipGeometry of the API),
// or undefined where its lens cannot see.
export function onLens(g, [x, y, z]) {
  const m = g.rotation;
  const f = m[0] * x + m[3] * y + m[6] * z, l = m[1] * x + m[4] * y + m[7] * z, u = m[2] * x + m[5] * y + m[8] * z;
  const side = Math.hypot(l, u), a = Math.atan2(side, f);
  const [of, most] = radius[g.projection] ?? radius.PROJECTION_RECTILINEAR;
  if (a > most) return undefined;
  const r = of(a), k = g.distortion_k1 ?? 0;
  if (1 + 3 * k * r * r <= 0) return undefined; // beyond it the distortion would fold the picture back
  const d = side < 1e-12 ? 0 : (r * (1 + k * r * r)) / side;
  return [(g.axis_column ?? 0) - l * d * g.focal_columns, (g.axis_row ?? 0) - u * d * g.focal_rows];
}

// onChip is the same in fractions of the chip from its left and upper edge.
export function onChip(g, direction) {
  const at = onLens(g, direction);
  if (!at) return undefined;
  const hex = g.arrangement === "ARRANGEMENT_HEXAGONAL", tip = hex ? 2 / 3 : 0.5;
  return [(at[0] + 0.5) / (g.columns + (hex && g.rows > 1 ? 0.5 : 0)), (at[1] + tip) / (g.rows - 1 + 2 * tip)];
}

// axis is where the middle of a chip looks, about: where its lens's axis does.
export const axis = (g) => [g.rotation[0], g.rotation[3], g.rotation[6]];

// mesh are the triangles of a view in which a chip sees something: for each corner its place in the view (fractions) and
// that on the chip. Which of their points really lie on the chip is for who draws them to say.
export function mesh(g, view, cells) {
  const { ray: look, ratio } = views[view], across = Math.round(cells * ratio), down = cells;
  const at = [];
  for (let j = 0; j <= down; j++) for (let i = 0; i <= across; i++) {
    const d = look(i / across, j / down);
    at.push(d && onChip(g, d));
  }
  const out = [];
  for (let j = 0; j < down; j++) {
    for (let i = 0; i < across; i++) {
      const corner = [[i, j], [i + 1, j], [i, j + 1], [i + 1, j + 1]], seen = corner.map(([x, y]) => at[y * (across + 1) + x]);
      if (seen.some((p) => !p) || !overlaps(seen)) continue;
      for (const k of [0, 1, 2, 1, 3, 2]) out.push(corner[k][0] / across, corner[k][1] / down, ...seen[k]);
    }
  }
  return new Float32Array(out);
}

// overlaps tells whether the box about some places has to do with the chip. One that is far larger than a chip comes of
// a fold, beside which nothing is seen.
function overlaps(seen) {
  const xs = seen.map((p) => p[0]), ys = seen.map((p) => p[1]);
  const [left, right, top, bottom] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  return right > 0 && left < 1 && bottom > 0 && top < 1 && right - left < 4 && bottom - top < 4;
}

// coverage is which fractions of the sphere no chip sees, one alone does, and several do, by points evenly spread.
export function coverage(chips, points = 4000) {
  const seen = [0, 0, 0], golden = Math.PI * (3 - Math.sqrt(5));
  for (let i = 0; i < points; i++) {
    const z = 1 - (2 * i + 1) / points, r = Math.sqrt(1 - z * z), d = [r * Math.cos(i * golden), r * Math.sin(i * golden), z];
    let n = 0;
    for (const g of chips) {
      const p = onChip(g, d);
      if (p && p[0] >= 0 && p[0] < 1 && p[1] >= 0 && p[1] < 1 && ++n === 2) break;
    }
    seen[n]++;
  }
  return { none: seen[0] / points, one: seen[1] / points, several: seen[2] / points };
}
