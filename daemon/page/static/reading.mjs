// What one pixel of a frame says: its code, the volts that it stands for, the light that these mean by the numbers of the
// chip's class, and when that light fell. Pure.

const num = (v) => Number(v ?? 0);

// reading is of a row and a column of a frame, from 0. Class and trim tell the light; it is left out where they do not.
export function reading(frame, codes, row, column, cls, trim) {
  const code = codes[row * frame.columns + column], volts = num(frame.code_zero_volts) + code * num(frame.volts_per_code);
  const sampled = num(frame.row_offset_ns?.[row]) + column * num(frame.pixel_interval_ns);
  // Chips with memory show the light of the load, which takes one row after another; others that of the sample.
  const loaded = num(frame.light_bus_ns) - num(frame.first_sample_bus_ns), rowLight = frame.row_light_offset_ns ?? [];
  const light = rowLight.length ? loaded + num(rowLight[row]) : num(frame.hold_ns) || num(frame.exposure_ns) ? loaded : sampled;
  const w = frame.window ?? {}, top = 2 ** Math.min(16, num(frame.significant_bits) || 16) - 1;
  return {
    code, volts, lux: lux(volts, frame, cls, trim), sampledNS: sampled, lightNS: light, // after the frame's first sample
    chipRow: num(w.row) + row * (w.row_step || 1), chipColumn: num(w.column) + column * (w.column_step || 1),
    resampled: Boolean(frame.corrections?.includes("CORRECTION_RESAMPLED")), // row and column are no place of the chip then
    clipped: code <= 0 || code >= top, // the signal may be any beyond
  };
}

// trimOf are the registers that were active for a frame: frames of views that may be trimmed between jobs say so
// themselves, for others the view of the task does.
export function trimOf(frame, task) {
  const of = (v, i) => (v.name || `view-${i + 1}`) === frame.view;
  return frame.trim ?? (task?.views ?? []).find(of)?.trim;
}

// falls tells whether the signal of a class's pixels falls as light rises.
export function falls(cls) {
  return cls?.linear ? true : num(cls?.logarithmic?.volts_per_decade) < 0;
}

// pixelVolts are the volts of the pixel behind those on the lane, before amplifier and bias.
function pixelVolts(volts, cls, trim) {
  const amp = cls.amplifier, bias = cls.pixel_bias;
  if (amp) {
    const gain = amp.gains?.[num(trim?.gain_index)] ?? 1;
    volts = (volts - num(trim?.offset) * num(amp.offset_step_volts) - num(amp.mid_volts)) / gain + num(amp.mid_volts);
  }
  if (bias && trim?.pixel_bias !== undefined) volts -= (num(trim.pixel_bias) - num(bias.nominal)) * num(bias.volts_per_step);
  return volts;
}

function lux(volts, frame, cls, trim) {
  if (!cls) return undefined;
  const v = pixelVolts(volts, cls, trim);
  if (cls.linear) {
    const p = cls.linear, seconds = num(frame.exposure_ns) / 1e9;
    if (!seconds) return undefined;
    const electrons = (num(p.reset_volts) - v) / (num(p.volts_per_electron) || 40e-6);
    return Math.max(0, (electrons / seconds - num(p.dark_electrons_per_s)) / (num(p.electrons_per_lux_s) || 1e5));
  }
  const p = cls.logarithmic, given = p && Object.keys(p).length > 0;
  const decade = (num(p?.volts_per_decade) || 0.06) * ((num(cls.temperature_k) || 300) / 300);
  return Math.max(0, 10 ** ((v - (given ? num(p.offset_volts) : 1)) / decade) - (num(p?.dark_lux) || 0.01));
}
