// Codes to grey: decoding, the range that is shown, histograms. Pure.

// decode reads codes of 16 bits, least significant byte first, from base64.
export function decode(base64) {
  let bytes;
  if (Uint8Array.fromBase64) {
    bytes = Uint8Array.fromBase64(base64 ?? "");
  } else {
    const raw = atob(base64 ?? "");
    bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  }
  const codes = new Uint16Array(bytes.length >> 1);
  for (let i = 0; i < codes.length; i++) codes[i] = bytes[2 * i] | (bytes[2 * i + 1] << 8);
  return codes;
}

// highest is the highest code of a number of bits.
export const highest = (bits) => 2 ** Math.min(16, Math.max(1, bits)) - 1;

const counts = new Uint32Array(65536); // of percentiles, which many pictures a second ask for

// percentiles are the codes below which the share low and high of the codes lie (nearest
// rank), from counts by code.
export function percentiles(codes, low, high, bits = 16) {
  if (codes.length === 0) return [0, highest(bits)];
  counts.fill(0);
  let top = 0;
  for (const c of codes) {
    counts[c]++;
    if (c > top) top = c;
  }
  const at = (share) => {
    const rank = Math.max(1, Math.ceil(share * codes.length));
    let sum = 0;
    for (let c = 0; c <= top; c++) {
      sum += counts[c];
      if (sum >= rank) return c;
    }
    return top;
  };
  return [at(low), at(high)];
}

// shown is the range of codes that is spread over black to white. mode is "auto" (the 1st to
// the 99th percentile of the frame, at least 16 codes wide), "full" or "fixed".
export function shown(mode, codes, bits, fixed) {
  const top = highest(bits);
  if (mode === "full") return [0, top];
  if (mode === "fixed") return fixed[0] < fixed[1] ? [fixed[0], fixed[1]] : [fixed[0], fixed[0] + 1];
  let [low, high] = percentiles(codes, 0.01, 0.99, bits);
  const least = 16;
  if (high - low < least) {
    const middle = (low + high) / 2;
    low = Math.max(0, Math.min(top - least, middle - least / 2));
    high = low + least;
  }
  return [low, high];
}

// steady moves a range a part of the way to the next one, so that noise does not make the
// picture flicker; a jump of more than the range itself is taken at once.
export function steady(before, next, part = 0.25) {
  if (!before) return next;
  const width = before[1] - before[0];
  if (Math.abs(next[0] - before[0]) > width || Math.abs(next[1] - before[1]) > width) return next;
  return [before[0] + part * (next[0] - before[0]), before[1] + part * (next[1] - before[1])];
}

// grey is the grey of every code for a range: a table of 65536 bytes. Inverted, low codes are white: of pixels whose
// signal falls with light.
export function grey(low, high, table = new Uint8Array(65536), inverted = false) {
  const a = Math.max(0, Math.ceil(low)), scale = 255 / Math.max(1e-9, high - low);
  table.fill(0, 0, Math.min(65536, a));
  let c = a;
  for (; c < 65536 && c < high; c++) table[c] = Math.round((c - low) * scale);
  table.fill(255, c);
  if (inverted) for (let i = 0; i < 65536; i++) table[i] = 255 - table[i];
  return table;
}

// histogram counts codes in equal bins from 0 to the highest code.
export function histogram(codes, bits, bins) {
  const out = new Uint32Array(bins), all = highest(bits) + 1;
  for (const c of codes) out[Math.min(bins - 1, Math.floor((c * bins) / all))]++;
  return out;
}

// spread is the range of the middle 99 of a hundred values, so that few that lie far off do not hide the others.
export function spread(values) {
  if (values.length === 0) return [0, 1];
  const v = Float64Array.from(values).sort(), cut = Math.floor(v.length / 200);
  const low = v[cut], high = v[v.length - 1 - cut];
  return high > low ? [low, high] : [low - 0.5, low + 0.5];
}
