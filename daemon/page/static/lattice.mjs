// Where the pixels of a frame lie: on its own picture, and on the chip that it was read from. Pure.
//
// Lengths are those of the die, so that a picture has the proportions of what was read, whatever the pitches and steps.
// A hexagonal lattice has its odd rows half a column to the right, and each pixel is drawn as the hexagon of all points
// that are nearest to it.

const TIP = 2 / 3; // of a row's pitch: from the middle of a hexagon to its tip
const NONE = 0xffffffff;

// lattice is how a frame is drawn: width and height of its picture in canvas pixels, the ratio of width to height on the
// die, place, the box that it takes of its chip (fractions from the left and from the top) beside dieRatio, the ratio of
// the chip, and for hexagonal frames index, the pixel at each canvas pixel.
export function lattice(frame, cls) {
  const rows = frame.rows ?? 0, columns = frame.columns ?? 0, w = frame.window ?? {};
  const hex = frame.arrangement === "ARRANGEMENT_HEXAGONAL";
  // A resampled frame has left the lattice of its class for one of equal pitches.
  const resampled = frame.corrections?.includes("CORRECTION_RESAMPLED");
  const rowStep = w.row_step || 1, columnStep = w.column_step || 1;
  const on = cls?.lattice, pitchX = on?.pitch_x_um || 1, pitchY = on?.pitch_y_um || (hex ? pitchX * Math.sqrt(0.75) : pitchX);
  const box = extent(hex, rows, columns, pitchX * columnStep, pitchY * rowStep);
  const out = { width: columns, height: rows, ratio: (resampled ? columns : box.width) / Math.max(1e-9, resampled ? rows : box.height) };
  if (hex) Object.assign(out, hexagons(rows, columns, (w.row ?? 0) & 1, rowStep & 1, (pitchY * rowStep) / (pitchX * columnStep)));
  const whole = extent(on?.arrangement === "ARRANGEMENT_HEXAGONAL", on?.rows ?? 0, on?.columns ?? 0, pitchX, pitchY);
  out.dieRatio = whole.height > 0 ? whole.width / whole.height : out.ratio;
  out.place = whole.height > 0 ? place(on, whole, w, pitchX, pitchY) : { left: 0, top: 0, width: 1, height: 1 };
  return out;
}

// extent is the size of rows and columns, out to the edges of the pixels.
function extent(hex, rows, columns, x, y) {
  if (!hex) return { width: columns * x, height: rows * y };
  return { width: (columns + (rows > 1 ? 0.5 : 0)) * x, height: rows ? (rows - 1 + 2 * TIP) * y : 0 };
}

// place is the box of a window on its chip.
function place(on, whole, w, pitchX, pitchY) {
  const hex = on.arrangement === "ARRANGEMENT_HEXAGONAL";
  const size = extent(hex, num(w.rows) || on.rows, num(w.columns) || on.columns, pitchX * (w.column_step || 1), pitchY * (w.row_step || 1));
  const left = ((w.column ?? 0) * pitchX) / whole.width, top = ((w.row ?? 0) * pitchY) / whole.height;
  return { left, top, width: Math.min(1 - left, size.width / whole.width), height: Math.min(1 - top, size.height / whole.height) };
}

const num = (v) => Number(v ?? 0);
const known = new Map(); // index maps by what they depend on: every frame of a view has the same

// hexagons is the picture of a hexagonal frame. Its first row is shifted where odd is 1, and the next one differs from
// it where alternate is 1. pitch is that of the rows, in columns.
function hexagons(rows, columns, odd, alternate, pitch) {
  const key = [rows, columns, odd, alternate, pitch.toFixed(6)].join();
  if (known.has(key)) return known.get(key);
  const each = Math.max(3, Math.min(12, Math.round(360 / Math.max(1, columns)))); // canvas pixels of a column
  const width = Math.ceil((columns + 0.5) * each), height = Math.max(1, Math.ceil((rows - 1 + 2 * TIP) * pitch * each));
  const shift = (i) => ((odd + i * alternate) & 1) / 2;
  const index = new Uint32Array(width * height).fill(NONE);
  for (let v = 0; v < height; v++) {
    const y = (v + 0.5) / each - TIP * pitch;
    for (let u = 0; u < width; u++) {
      const x = (u + 0.5) / each - 0.5;
      let best = Infinity, at = NONE;
      for (let i = Math.floor(y / pitch); i <= Math.ceil(y / pitch); i++) {
        const j = Math.round(x - shift(i)), d = (x - shift(i) - j) ** 2 + (y - i * pitch) ** 2;
        if (d >= best) continue;
        best = d;
        at = i >= 0 && i < rows && j >= 0 && j < columns ? i * columns + j : NONE;
      }
      index[v * width + u] = at;
    }
  }
  const out = { width, height, index };
  if (known.size > 64) known.clear();
  known.set(key, out);
  return out;
}

// paint writes a frame into the RGBA bytes of a canvas of lattice's size. mark colours clipped pixels: [low, high] as
// RGB, or nothing. What no pixel covers stays clear.
export function paint(rgba, codes, lay, table, mark, bits) {
  const top = 2 ** Math.min(16, Math.max(1, bits)) - 1, out = new Uint32Array(rgba.buffer, rgba.byteOffset, rgba.length >> 2);
  const word = (r, g, b) => ((255 << 24) | (b << 16) | (g << 8) | r) >>> 0;
  const low = mark && word(...mark[0]), high = mark && word(...mark[1]);
  const of = (c) => (mark && c === 0 ? low : mark && c === top ? high : word(table[c], table[c], table[c]));
  if (!lay.index) {
    for (let k = 0; k < out.length; k++) out[k] = of(codes[k]);
    return;
  }
  for (let k = 0; k < out.length; k++) out[k] = lay.index[k] === NONE ? 0 : of(codes[lay.index[k]]);
}

// pixelAt is the row and column of a frame at a place of its picture (fractions from the left and from the top), or
// undefined where there is none.
export function pixelAt(frame, lay, x, y) {
  if (!(x >= 0 && x < 1 && y >= 0 && y < 1)) return undefined;
  const u = Math.floor(x * lay.width), v = Math.floor(y * lay.height);
  if (!lay.index) return { row: v, column: u };
  const at = lay.index[v * lay.width + u];
  return at === NONE ? undefined : { row: Math.floor(at / frame.columns), column: at % frame.columns };
}
