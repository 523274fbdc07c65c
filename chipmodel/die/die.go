// Package die simulates one chip of an array: its registers, pixels, switches,
// analog memory and noise; and one lane with its converter. Everything random
// comes from a seed, so that equal seeds and equal operations give equal volts.
//
// A die is for one goroutine. It has no clock: every call says at which bus time
// it happens.
package die

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// Light fills dst, as long as the lattice has columns, with the light in lux on
// one row of a chip at a bus time in nanoseconds.
type Light = func(dst []float64, row int, atNS int64)

// kindModel is what one kind of chip does beyond holding registers.
type kindModel interface {
	powerOn()
	// written is called after a register changed.
	written(r facetdv1.Register)
	strobe(s facetdv1.Strobe, atNS int64, hold time.Duration, light Light)
	row(dst []float64, row, column, columnStep int, atNS, intervalNS int64, light Light)
	heldNS(row int, atNS int64) int64
}

// Die is one simulated chip.
type Die struct {
	class     *chipmodel.Class
	px        *pixels
	registers [chipmodel.NumRegisters]uint16
	model     kindModel
}

// New makes the die of a chip of an array; its fixed pattern is drawn here, from
// the seed and the chip's index.
func New(a *chipmodel.Array, chip int, seed uint64) *Die {
	return newDie(a.Chips[chip].Class, a.Timing.Strobe, analog.NewNoise(seed, 0x5eed0000+uint64(chip)))
}

// NewIdeal makes a die without noise, spread, leakage, lag and injection, whose
// switches settle fully.
func NewIdeal(a *chipmodel.Array, chip int) *Die {
	return newDie(a.Chips[chip].Class, a.Timing.Strobe, nil)
}

func newDie(class *chipmodel.Class, pulse time.Duration, rng *analog.Noise) *Die {
	d := &Die{class: class}
	px := newPixels(class, rng)
	d.px = px
	switch class.Kind {
	case chipmodel.Memory:
		d.model = newMemory(d, px, pulse, rng)
	case chipmodel.InArraySwitch:
		d.model = newInArraySwitch(d, px)
	case chipmodel.Trimmed:
		d.model = newTrimmed(d, px)
	default:
		d.model = &direct{px}
	}
	d.PowerOn()
	return d
}

// PowerOn sets the registers to their values after power-on; what a memory holds
// is then undefined (its reset level).
func (d *Die) PowerOn() {
	d.registers = [chipmodel.NumRegisters]uint16{}
	if t := d.class.Spec.GetTrimmed(); t != nil {
		d.registers[chipmodel.PixelBias] = uint16(t.GetPixelBias().GetNominal())
		d.registers[chipmodel.OutputBias] = uint16(t.GetOutputBias().GetNominal())
	}
	d.model.powerOn()
}

// Register returns the value of a register, 0 for one that no chip has.
func (d *Die) Register(r facetdv1.Register) uint16 {
	if r < 0 || int(r) >= len(d.registers) {
		return 0
	}
	return d.registers[r]
}

// Write sets a register. A register that other kinds of chip have is remembered and
// does nothing; one that no chip has is ignored.
func (d *Die) Write(r facetdv1.Register, v uint16) {
	if d.Register(r) == v || int(r) >= len(d.registers) || r < 0 {
		return
	}
	d.registers[r] = v
	d.model.written(r)
}

// Strobe gives a strobe that begins at a bus time; hold is how long a share keeps
// the switches closed. Strobes that the chip does not know do nothing.
func (d *Die) Strobe(s facetdv1.Strobe, atNS int64, hold time.Duration, light Light) {
	d.model.strobe(s, atNS, hold, light)
}

// Row gives the volts at the chip's output for len(dst) pixels of a lattice row,
// from column on and columnStep apart; pixel i is sampled at atNS + i intervalNS.
func (d *Die) Row(dst []float64, row, column, columnStep int, atNS, intervalNS int64, light Light) {
	d.model.row(dst, row, column, columnStep, atNS, intervalNS, light)
}

// Bandwidth is the bandwidth of the chip's output relative to its nominal bias, which
// is what the array's settling times are for: 1 for chips without a bias register. A
// lane that needs a time to settle needs it divided by this; a readout that does not
// allow for it shows a ghost of the pixel before.
func (d *Die) Bandwidth() float64 {
	if t, ok := d.model.(*trimmed); ok {
		return t.bandwidth
	}
	return 1
}

// HoldNS is the time since a row was loaded, 0 for chips without memory.
func (d *Die) HoldNS(row int, atNS int64) int64 { return d.model.heldNS(row, atNS) }

// SetKelvin brings the die to another temperature than its class says: offsets drift,
// slopes go as the absolute temperature, dark terms and leakage double every so many
// kelvin, as the class gives them.
func (d *Die) SetKelvin(kelvin float64) {
	d.px.setKelvin(d.class, kelvin)
	if m, ok := d.model.(*memory); ok {
		m.setKelvin(kelvin)
	}
}

// patterns are the two pattern registers.
func (d *Die) patterns() (columns, rows uint8) {
	return uint8(d.registers[chipmodel.ColumnPattern]), uint8(d.registers[chipmodel.RowPattern])
}

// direct is a chip whose pixels go straight to its output: counter and hexagonal
// chips. The bus walks the counter; the die only sees which pixel is read.
type direct struct{ px *pixels }

func (m *direct) powerOn()                                            {}
func (m *direct) written(facetdv1.Register)                           {}
func (m *direct) strobe(facetdv1.Strobe, int64, time.Duration, Light) {}
func (m *direct) heldNS(int, int64) int64                             { return 0 }
func (m *direct) row(dst []float64, row, column, step int, atNS, intervalNS int64, light Light) {
	n := len(dst)
	m.px.look(row, atNS, int64(n-1)*intervalNS, light)
	for i := range dst {
		c := column + i*step
		dst[i] = m.px.volts(row*m.px.columns+c, m.px.luxAt(c, i, n), atNS+int64(i)*intervalNS)
	}
}
