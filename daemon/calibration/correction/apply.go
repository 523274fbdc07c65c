package correction

import (
	"fmt"
	"math"
)

// Applied counts what a correction could not do.
type Applied struct {
	// Clamped are pixels whose corrected code lies beyond the lowest or the highest and
	// was set to it.
	Clamped int
	// ClippedLow and ClippedHigh are pixels that had been clipped already: what their
	// signal was is unknown, so they stay at the lowest and the highest code.
	ClippedLow, ClippedHigh int
}

// Apply corrects a frame of raw codes into out, which may be the same slice; both have
// Shape.Pixels codes, row by row. Corrected codes are rounded to the nearest. It does not
// allocate. Defective pixels are left for Fill. It fails, and writes nothing, when a length
// is wrong.
func (m *Map) Apply(codes, out []uint16) (Applied, error) {
	n := m.Shape.Pixels()
	if len(codes) != n || len(out) != n {
		return Applied{}, fmt.Errorf("%d codes into %d; the correction map is for frames of %d x %d", len(codes),
			len(out), m.Shape.Rows, m.Shape.Columns)
	}
	var r Applied
	switch m.Method {
	case Offset:
		m.applyOffset(codes, out, &r)
	case OffsetGain:
		m.applyGain(codes, out, &r)
	case LogResponse:
		m.applyLog(codes, out, &r)
	}
	return r, nil
}

// passed deals with a clipped input.
func (r *Applied) passed(c uint16) uint16 {
	if c == 0 {
		r.ClippedLow++
	} else {
		r.ClippedHigh++
	}
	return c
}

// rounded is a code; v is the code plus a half.
func (r *Applied) rounded(v float32, highest uint16) uint16 {
	if !(v >= 0) {
		r.Clamped++
		return 0
	}
	if v >= float32(highest)+1 {
		r.Clamped++
		return highest
	}
	return uint16(int32(v))
}

func (m *Map) applyOffset(codes, out []uint16, r *Applied) {
	highest := m.Scale.HighestCode
	offset, out := m.Offset[:len(codes)], out[:len(codes)]
	for i, c := range codes {
		if c-1 >= highest-1 { // 0 wraps around
			out[i] = r.passed(c)
			continue
		}
		out[i] = r.rounded(float32(c)-offset[i]+0.5, highest)
	}
}

func (m *Map) applyGain(codes, out []uint16, r *Applied) {
	highest := m.Scale.HighestCode
	offset, inv, out := m.Offset[:len(codes)], m.inv[:len(codes)], out[:len(codes)]
	for i, c := range codes {
		if c-1 >= highest-1 {
			out[i] = r.passed(c)
			continue
		}
		out[i] = r.rounded((float32(c)-offset[i])*inv[i]+0.5, highest)
	}
}

// logPixel is a pixel's response turned round: u = y perCode + shift is ln(c + x); more is
// by how much the mean pixel's dark term exceeds its own; dark is ln(c).
type logPixel struct{ perCode, shift, more, dark float32 }

func newLogPixel(a, b, c, meanC float64) logPixel {
	p := logPixel{perCode: float32(1 / b), shift: float32(-a / b), more: float32(meanC - c), dark: -math.MaxFloat32}
	if c > 0 && meanC > 0 {
		p.dark = float32(math.Log(c))
	}
	return p
}

func (m *Map) applyLog(codes, out []uint16, r *Applied) {
	highest := m.Scale.HighestCode
	logs, out := m.logs[:len(codes)], out[:len(codes)]
	a, b := m.Mean.A+0.5, m.Mean.B
	for i, c := range codes {
		if c-1 >= highest-1 {
			out[i] = r.passed(c)
			continue
		}
		p := &logs[i]
		u := float64(float32(c)*p.perCode + p.shift)
		if u < float64(p.dark) {
			slope := (m.Mean.C - float64(p.more)) / m.Mean.C
			out[i] = r.rounded(float32(a+b*(math.Log(m.Mean.C)+(u-float64(p.dark))*slope)), highest)
			continue
		}
		out[i] = r.rounded(float32(a+b*(u+quickLn(1+float64(p.more)*quickExp(-u)))), highest)
	}
}

// The tables behind quickExp and quickLn: both are wrong by less than 1e-7, which times
// the slope of a response that crosses all 65,536 codes in one e-fold is a hundredth of a
// code.
const (
	expSteps = 64
	lnSteps  = 256
)

type lnPart struct{ inverse, ln float64 }

// expParts are 2^(k/64) and lnParts the intervals of the mantissa; they never change.
var (
	expParts = newExpParts()
	lnParts  = newLnParts()
)

func newExpParts() (out [expSteps]float64) {
	for k := range out {
		out[k] = math.Exp2(float64(k) / expSteps)
	}
	return out
}

func newLnParts() (out [lnSteps]lnPart) {
	for k := range out {
		middle := 1 + (float64(k)+0.5)/lnSteps
		out[k] = lnPart{1 / middle, math.Log(middle)}
	}
	return out
}

// quickExp is e^x with a relative error below 3e-8 for |x| < 700; beyond that it stays at
// the ends.
func quickExp(x float64) float64 {
	x = min(max(x, -700), 700)
	t := x * (expSteps / math.Ln2)
	k := math.Floor(t + 0.5)
	f := (t - k) * (math.Ln2 / expSteps) // |f| < 0.0055
	n := int64(k)
	scale := math.Float64frombits(uint64(n>>6+1023) << 52)
	return scale * expParts[n&(expSteps-1)] * (1 + f*(1+f*0.5))
}

// quickLn is the natural logarithm of a normal number above 0, with an absolute error
// below 1e-8.
func quickLn(x float64) float64 {
	b := math.Float64bits(x)
	part := &lnParts[b>>44&(lnSteps-1)]
	r := math.Float64frombits(b&(1<<52-1)|1023<<52)*part.inverse - 1
	return float64(int(b>>52)-1023)*math.Ln2 + part.ln + r*(1-r*(0.5-r*(1.0/3)))
}
