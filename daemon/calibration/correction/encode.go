package correction

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// The encoding, little endian. Equal correction maps give equal bytes, and every byte string that
// Decode takes is what Encode makes of the correction map:
//
//	magic 8 bytes, version u16, method u8, lattice u8, rows u32, columns u32,
//	highest code u16, flags u16 (bit 0: dark resolved), levels u32, defects u32,
//	nine float64: code zero volts, volts per code, kelvin, false rate, codes per decade,
//	              mean A, B, C, and 0
//	levels:  seven float64 each: lux, frames, mean, noise, before, after, misfit
//	planes:  as many as the method has parameters, a float32 a pixel
//	defects: pixel u32, kinds u16 each, by rising pixel
const (
	mapMagic    = "facetcal"
	mapVersion  = 1
	headBytes   = 8 + 2 + 1 + 1 + 4 + 4 + 2 + 2 + 4 + 4 + 9*8
	levelBytes  = 7 * 8
	defectBytes = 6
)

// ErrNotMap is the reason for which Decode refuses bytes that are no correction map: ask for another
// file.
var ErrNotMap = errors.New("not a correction map")

// ErrMapVersion is the reason for which Decode refuses a correction map of another version: make it
// again, or use the program that wrote it.
var ErrMapVersion = errors.New("correction map of another version")

// Encode returns the correction map as bytes, the same for the same correction map.
func (m *Map) Encode() []byte {
	b := make([]byte, 0,
		headBytes+len(m.Levels)*levelBytes+4*m.Method.planes()*m.Shape.Pixels()+len(m.Defects)*defectBytes)
	le := binary.LittleEndian
	b = append(b, mapMagic...)
	b = le.AppendUint16(b, mapVersion)
	b = append(b, byte(m.Method), byte(m.Shape.Lattice))
	b = le.AppendUint32(b, uint32(m.Shape.Rows))
	b = le.AppendUint32(b, uint32(m.Shape.Columns))
	b = le.AppendUint16(b, m.Scale.HighestCode)
	flags := uint16(0)
	if m.DarkResolved {
		flags = 1
	}
	b = le.AppendUint16(b, flags)
	b = le.AppendUint32(b, uint32(len(m.Levels)))
	b = le.AppendUint32(b, uint32(len(m.Defects)))
	for _, v := range []float64{m.Scale.CodeZeroVolts, m.Scale.VoltsPerCode, m.Kelvin, m.FalseRate, m.CodesPerDecade,
		m.Mean.A, m.Mean.B, m.Mean.C, 0} {
		b = le.AppendUint64(b, math.Float64bits(v))
	}
	for _, l := range m.Levels {
		for _, v := range []float64{l.Lux, float64(l.Frames), l.MeanCode, l.NoiseCodes, l.BeforeCodes, l.AfterCodes,
			l.MisfitCodes} {
			b = le.AppendUint64(b, math.Float64bits(v))
		}
	}
	for _, plane := range m.planes() {
		for _, v := range *plane {
			b = le.AppendUint32(b, math.Float32bits(v))
		}
	}
	for _, d := range m.Defects {
		b = le.AppendUint32(b, uint32(d.Pixel))
		b = le.AppendUint16(b, uint16(d.Kinds))
	}
	return b
}

func (m *Map) planes() []*[]float32 {
	return []*[]float32{&m.Offset, &m.Gain, &m.Dark}[:m.Method.planes()]
}

// Decode reads what Encode wrote. It fails with ErrNotMap or ErrMapVersion, and takes no
// more memory than a few times the length of what it is given.
func Decode(b []byte) (*Map, error) {
	r := reader{b: b}
	if len(b) < headBytes || string(r.take(8)) != mapMagic {
		return nil, fmt.Errorf("%w: it does not begin like one", ErrNotMap)
	}
	if v := r.u16(); v != mapVersion {
		return nil, fmt.Errorf("%w: %d, and this daemon reads %d", ErrMapVersion, v, mapVersion)
	}
	m := &Map{Method: Method(r.u8()), Shape: Shape{Lattice: Lattice(r.u8())}}
	m.Shape.Rows, m.Shape.Columns = int(r.u32()), int(r.u32())
	m.Scale.HighestCode = r.u16()
	flags, levels, defects := r.u16(), int(r.u32()), int(r.u32())
	var last float64
	for _, v := range []*float64{&m.Scale.CodeZeroVolts, &m.Scale.VoltsPerCode, &m.Kelvin, &m.FalseRate,
		&m.CodesPerDecade, &m.Mean.A, &m.Mean.B, &m.Mean.C, &last} {
		*v = r.f64()
	}
	if m.Method < Offset || m.Method > LogResponse || flags > 1 || math.Float64bits(last) != 0 {
		return nil, fmt.Errorf("%w: method %d, flags %#x", ErrNotMap, m.Method, flags)
	}
	m.DarkResolved = flags == 1
	if err := errors.Join(m.Shape.check(), m.Scale.check()); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNotMap, err)
	}
	n := m.Shape.Pixels()
	want := headBytes + levels*levelBytes + 4*m.Method.planes()*n + defects*defectBytes
	if len(b) != want {
		return nil, fmt.Errorf("%w: %d bytes, where its head says %d; it may be cut short", ErrNotMap, len(b), want)
	}
	if !m.headOK() || defects >= n {
		return nil, fmt.Errorf("%w: impossible values in its head", ErrNotMap)
	}
	if err := m.decodeBody(&r, levels, defects); err != nil {
		return nil, err
	}
	m.prepare()
	return m, nil
}

func (m *Map) headOK() bool {
	ok := finite(m.Kelvin, m.FalseRate, m.CodesPerDecade, m.Mean.A, m.Mean.B, m.Mean.C) && m.Kelvin >= 0 &&
		m.FalseRate > 0 && m.FalseRate <= 1e-4
	if m.Method == LogResponse {
		return ok && m.Mean.B != 0 && m.Mean.C >= 0 && (m.Mean.C > 0 || !m.DarkResolved)
	}
	return ok && m.Mean == Response{} && !m.DarkResolved
}

func (m *Map) decodeBody(r *reader, levels, defects int) error {
	for i := range levels {
		l := LevelReport{Lux: r.f64()}
		frames := r.f64()
		l.Frames = int(min(max(frames, 0), MaxFrames))
		for _, v := range []*float64{&l.MeanCode, &l.NoiseCodes, &l.BeforeCodes, &l.AfterCodes, &l.MisfitCodes} {
			*v = r.f64()
			if !finite(*v) {
				return fmt.Errorf("%w: level %d holds no number", ErrNotMap, i)
			}
		}
		if math.Float64bits(float64(l.Frames)) != math.Float64bits(frames) || !finite(l.Lux) {
			return fmt.Errorf("%w: level %d has %g frames at %g lux", ErrNotMap, i, frames, l.Lux)
		}
		m.Levels = append(m.Levels, l)
	}
	n := m.Shape.Pixels()
	for _, plane := range m.planes() {
		*plane = make([]float32, n)
		for i := range *plane {
			(*plane)[i] = math.Float32frombits(r.u32())
		}
	}
	for i := range n {
		if !m.usable(i) {
			return fmt.Errorf("%w: pixel %d cannot be corrected with its parameters", ErrNotMap, i)
		}
	}
	for i := range defects {
		d := Defect{int(r.u32()), Kind(r.u16())}
		if d.Pixel >= n || (i > 0 && d.Pixel <= m.Defects[i-1].Pixel) || d.Kinds == 0 || d.Kinds&^allKinds != 0 {
			return fmt.Errorf("%w: defect %d is %+v", ErrNotMap, i, d)
		}
		m.Defects = append(m.Defects, d)
	}
	return nil
}

// reader takes values from bytes whose number was checked before.
type reader struct{ b []byte }

func (r *reader) take(n int) []byte {
	out := r.b[:n]
	r.b = r.b[n:]
	return out
}

func (r *reader) u8() uint8    { return r.take(1)[0] }
func (r *reader) u16() uint16  { return binary.LittleEndian.Uint16(r.take(2)) }
func (r *reader) u32() uint32  { return binary.LittleEndian.Uint32(r.take(4)) }
func (r *reader) f64() float64 { return math.Float64frombits(binary.LittleEndian.Uint64(r.take(8))) }
