// Package die simulates one chip of an array: its registers, pixels, switches,
// analog memory and noise; and one lane with its converter. Everything random
// comes from a seed, so that equal seeds and equal operations give equal volts.
//
// A Deferred is a die that does what it is told when somebody looks at what it shows.
//
// A die is for one goroutine. It has no clock: every call says at which bus time
// it happens.
package die

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// storage is what lies between the pixels and the output: analog memory, switches between
// the pixels, or nothing.
type storage interface {
	powerOn()
	// written is called after a register changed.
	written(r facetdv1.Register)
	strobe(s facetdv1.Strobe, at bustime.Time, hold time.Duration, light *Light)
	row(dst []float64, row, column, columnStep int, at bustime.Time, interval time.Duration, light *Light)
	held(row int, at bustime.Time) time.Duration
	// follow changes what pixels that lag remember as a look at a row does, which nobody sees.
	follow(r *reading, light *Light)
}

// Die is one simulated chip: pixels under a supply, a storage, and an output.
type Die struct {
	class     *chipmodel.Class
	px        *pixels
	registers [chipmodel.NumRegisters]uint16
	supply    supply
	storage   storage
	output    output
	kelvin    float64
}

// New makes the die of a chip of an array; its fixed pattern is drawn here, from
// the seed and the chip's index.
func New(a *chipmodel.Array, chip int, seed uint64) *Die {
	return newDie(a.Chips[chip].Class, a.Timing.Strobe, analog.NewNoise(seed, 0x5eed0000+uint64(chip)))
}

func newDie(class *chipmodel.Class, pulse time.Duration, rng *analog.Noise) *Die {
	d := &Die{class: class, px: newPixels(class, rng), kelvin: class.Spec.GetTemperatureK()}
	d.supply = newSupply(class.Spec, rng)
	switch {
	case class.HasMemory():
		d.storage = newMemory(d, d.px, pulse, rng)
	case class.HasSwitches():
		d.storage = newSwitches(d, d.px)
	default:
		d.storage = &direct{d}
	}
	d.PowerOn()
	return d
}

// PowerOn sets the registers to their values after power-on; what a memory holds
// is then undefined (its reset level).
func (d *Die) PowerOn() {
	for r := range d.registers {
		d.registers[r] = d.class.PowerOn(facetdv1.Register(r))
	}
	d.wire()
	d.storage.powerOn()
}

// wire makes the registers act on the supply and on the output.
func (d *Die) wire() {
	d.supply.shift = pixelShift(d.class.Spec.GetPixelBias(), d.registers[chipmodel.PixelBias])
	d.output = newOutput(d.class.Spec, &d.registers)
}

// Register returns the value of a register, 0 for one that no chip has.
func (d *Die) Register(r facetdv1.Register) uint16 {
	if r < 0 || int(r) >= len(d.registers) {
		return 0
	}
	return d.registers[r]
}

// Write sets a register. A register that only other chips have is remembered and does
// nothing; one that no chip has is ignored.
func (d *Die) Write(r facetdv1.Register, v uint16) {
	if d.Register(r) == v || int(r) >= len(d.registers) || r < 0 {
		return
	}
	d.registers[r] = v
	d.wire()
	d.storage.written(r)
}

// Strobe gives a strobe that begins at a bus time; hold is how long a share keeps
// the switches closed, and of a load for how long the bus exposed linear pixels: 0 where
// they exposed by themselves, for the time of their class. Strobes that the chip does not know do nothing.
func (d *Die) Strobe(s facetdv1.Strobe, at bustime.Time, hold time.Duration, light *Light) {
	d.storage.strobe(s, at, hold, light)
}

// Row gives the volts at the chip's output for len(dst) pixels of a lattice row, from column on and columnStep apart;
// pixel i is sampled i intervals after a bus time.
func (d *Die) Row(dst []float64, row, column, columnStep int, at bustime.Time, interval time.Duration, light *Light) {
	d.storage.row(dst, row, column, columnStep, at, interval, light)
	d.output.drive(dst)
}

// Bandwidth is the bandwidth of the chip's output relative to its nominal bias, which is what the array's settling
// times are for: 1 for chips without a bias register. A lane that needs a time to settle needs it divided by this; a
// readout that does not allow for it shows a ghost of the previous pixel.
func (d *Die) Bandwidth() float64 { return d.output.bandwidth }

// Hold is the time since a row was loaded, 0 for chips without memory.
func (d *Die) Hold(row int, at bustime.Time) time.Duration { return d.storage.held(row, at) }

// SetKelvin brings the die to another temperature than its class says: offsets drift,
// slopes go as the absolute temperature, dark terms and leakage double every so many
// kelvin, as the class gives them.
func (d *Die) SetKelvin(kelvin float64) {
	d.kelvin = kelvin
	d.px.setKelvin(d.class, kelvin)
	switch m := d.storage.(type) {
	case *memory:
		m.setKelvin(kelvin)
	case *switches:
		m.stale = true // what joined pixels are together comes from what each is now
	}
}

// Remember begins to note what readouts change of the die: how their pixels lag, and how much of its noise was drawn.
// Undo takes it back, as if the readouts since had not been; Forget keeps it. Either ends the notes. Between Remember
// and that there may be nothing but readouts.
func (d *Die) Remember() { d.px.undo.begin(d.px) }

// Undo is explained at Remember.
func (d *Die) Undo() { d.px.undo.takeBack(d.px) }

// Forget is explained at Remember.
func (d *Die) Forget() { d.px.undo.noting = false }

// patterns are the two pattern registers.
func (d *Die) patterns() (columns, rows uint8) {
	return uint8(d.registers[chipmodel.ColumnPattern]), uint8(d.registers[chipmodel.RowPattern])
}

// direct is no storage: the pixels go straight to the output. Where a counter walks them,
// the bus does that; the die only sees which pixel is read.
type direct struct{ die *Die }

func (m *direct) powerOn()                                                    {}
func (m *direct) written(facetdv1.Register)                                   {}
func (m *direct) strobe(facetdv1.Strobe, bustime.Time, time.Duration, *Light) {}
func (m *direct) held(int, bustime.Time) time.Duration                        { return 0 }
func (m *direct) follow(r *reading, light *Light)                             { m.die.px.remind(r, m.die.px.c, light) }
func (m *direct) row(dst []float64, row, column, step int, at bustime.Time, interval time.Duration, light *Light) {
	n, px := len(dst), m.die.px
	px.look(row, column, step, n, at, interval, light)
	if px.asRow(light) && len(px.defects) == 0 {
		px.logRow(dst, &reading{row, column, step, n, at, interval},
			&response{a: px.a, b: px.b, c: px.c, noise: px.noise}, light)
	} else {
		for i := range dst {
			c := column + i*step
			dst[i] = px.volts(row*px.columns+c, c, px.luxAt(c, i, n), at.Add(time.Duration(i)*interval), light)
		}
	}
	m.die.supply.add(dst, at, interval)
}
