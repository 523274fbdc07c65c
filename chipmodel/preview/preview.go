package preview

import (
	"fmt"
	"math"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/die"
)

// Unit is what the values of a matrix are.
type Unit int

// Units of a matrix.
const (
	// Volts are signals of pixels, as they are loaded into a memory.
	Volts Unit = iota
	// Lux is light on pixels. The result is turned back into light by the nominal
	// response of the class.
	Lux
)

func (u Unit) String() string {
	if u == Lux {
		return "lux"
	}
	return "volts"
}

// The largest values that are accepted, and the longest sequences.
const (
	maxVolts = 100
	maxLux   = 1e9
	maxSteps = 4096
	// maxWork limits cells times steps: some seconds of a processor.
	maxWork = 1 << 32
)

// None is how a list of patterns says that one share closes no switch of its axis.
const None = "-"

// Request is what to preview.
type Request struct {
	// Class is the class of chip, and Array what it belongs to (for the time that
	// shares take). A nil Class means the built-in ideal memory chip, with a lattice
	// of the input's size; Ideal must be set then.
	Class *chipmodel.Class
	Array *chipmodel.Array
	// Input has the size of the lattice.
	Input Matrix
	Unit  Unit
	// Columns and Rows are switch patterns of eight characters, bit 0 first, or None;
	// the k-th of both make one share step. Only an absent list may differ in length.
	// With pixel switches one step sets the patterns before sensing.
	Columns, Rows []string
	// View adds its shares, smoothing and binning after those steps, and its window is
	// what the result shows; nil for the whole lattice.
	View *facetdv1.View
	// Ideal leaves out noise, spread, leakage and injection, and shares settle fully.
	Ideal bool
	Seed  uint64
	// Hold is how long after its load each row is read.
	Hold time.Duration
}

// Run returns what the chip gives for the input, in the unit of the input, or
// everything that is wrong with the request.
func Run(r Request) (Matrix, invalid.Errors) {
	p := plan{Request: r, class: r.Class}
	p.check()
	if len(p.m) > 0 {
		return Matrix{}, p.m
	}
	out := p.run()
	if len(p.m) > 0 {
		return Matrix{}, p.m
	}
	return out, nil
}

// plan is a request while it is checked and carried out.
type plan struct {
	Request
	m      invalid.Errors
	class  *chipmodel.Class
	steps  []step
	window chipmodel.Window
	trim   []chipmodel.RegisterValue
}

type step struct{ columns, rows uint8 }

func (p *plan) check() {
	in := p.Input
	if in.Rows < 1 || in.Columns < 1 || len(in.Pixels) != in.Rows*in.Columns {
		p.m.Add("input", fmt.Sprintf("the matrix has %d values for %d rows and %d columns", len(in.Pixels), in.Rows,
			in.Columns), "give rows x columns values, at least one")
		return
	}
	if len(in.Pixels) > MaxPixels {
		p.m.Add("input", fmt.Sprintf("%d x %d values are too many", in.Rows, in.Columns),
			fmt.Sprintf("use at most %d", MaxPixels))
		return
	}
	if p.class == nil {
		if !p.Ideal {
			p.m.Add("class", "no chip class is named", "name one, or ask for the ideal chip")
		}
		p.class = builtIn(in.Rows, in.Columns)
	} else if p.class.Rows != in.Rows || p.class.Columns != in.Columns {
		p.m.Add("input", fmt.Sprintf("the matrix is %d x %d, the lattice of class %q is %d x %d", in.Rows, in.Columns,
			p.class.Name, p.class.Rows, p.class.Columns), "give one value per pixel")
	}
	if p.Hold < 0 || p.Hold > 24*time.Hour {
		p.m.Add("hold", fmt.Sprintf("a hold of %v is not possible", p.Hold), "give 0 to 24 hours")
	}
	p.values()
	p.patterns()
	p.view()
	p.possible()
}

// builtIn is the ideal memory chip.
func builtIn(rows, columns int) *chipmodel.Class {
	return &chipmodel.Class{
		Name: "ideal", Rows: rows, Columns: columns, Bits: 16,
		Spec: &facetdv1.ChipClass{
			TemperatureK: 300,
			Lattice:      &facetdv1.Lattice{Rows: uint32(rows), Columns: uint32(columns), PitchXUm: 20, PitchYUm: 20},
			Pixel: &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{
				OffsetVolts: 1, VoltsPerDecade: 0.06, DarkLux: 0.01,
			}},
			Memory: &facetdv1.AnalogMemory{CellCapacitanceFf: 100, SwitchResistanceOhms: 10_000},
		},
	}
}

// values reports the first impossible value of each row.
func (p *plan) values() {
	response := die.NewResponse(p.class)
	for row := range p.Input.Rows {
		for column := range p.Input.Columns {
			v := p.Input.At(row, column)
			var wrong string
			switch {
			case !finite(v):
				wrong = "is not finite"
			case p.Unit == Lux && (v < 0 || v > maxLux):
				wrong = fmt.Sprintf("lux are impossible: light lies between 0 and %g", float64(maxLux))
			case p.Unit == Volts && math.Abs(v) > maxVolts:
				wrong = fmt.Sprintf("V are impossible: signals lie within %d V of 0", maxVolts)
			case p.Unit == Volts && !p.class.HasMemory():
				if _, ok := response.Lux(v); !ok {
					wrong = fmt.Sprintf("V: no light gives a pixel of class %q this signal", p.class.Name)
				}
			}
			if wrong == "" {
				continue
			}
			hint := "correct the value"
			if len(p.m) > 20 {
				return // one bad row is like the next
			}
			p.m.Add(fmt.Sprintf("input, row %d, column %d", row, column), fmt.Sprintf("%g %s", v, wrong), hint)
			break
		}
	}
}

// patterns pairs the two lists.
func (p *plan) patterns() {
	n := max(len(p.Columns), len(p.Rows))
	if len(p.Columns) > 0 && len(p.Rows) > 0 && len(p.Columns) != len(p.Rows) {
		p.m.Add("rows", fmt.Sprintf("%d column patterns and %d row patterns do not pair up", len(p.Columns),
			len(p.Rows)),
			`give as many of both, "-" where a step closes none, or leave one list out`)
		n = 0
	}
	read := func(list []string, name string) []uint8 {
		out := make([]uint8, max(n, len(list)))
		for i, s := range list {
			if s == None {
				continue
			}
			v, err := analog.ParsePattern(s)
			if err != nil {
				p.m.Add(fmt.Sprintf("%s[%d]", name, i), err.Error(),
					`write 0s and 1s such as "10101010", or "-" for no switch`)
				continue
			}
			out[i] = v
		}
		return out
	}
	columns, rows := read(p.Columns, "columns"), read(p.Rows, "rows")
	for i := range n {
		p.steps = append(p.steps, step{columns[i], rows[i]})
	}
}

// view appends what a view asks for, and sets the window.
func (p *plan) view() {
	bin := func(n uint32, name string) int {
		if n == 0 {
			return 1
		}
		if !slices.Contains([]uint32{1, 2, 4, 8}, n) {
			p.m.Add("view.binning."+name, fmt.Sprintf("a block of %d is not possible", n),
				"use 1, 2, 4 or 8: patterns repeat every 8 cells")
			return 1
		}
		return int(n)
	}
	rows, columns := bin(p.View.GetBinning().GetRows(), "rows"), bin(p.View.GetBinning().GetColumns(), "columns")
	for i, s := range p.View.GetShares() {
		var both step
		for _, axis := range []struct {
			name, pattern string
			into          *uint8
		}{{"columns", s.GetColumns(), &both.columns}, {"rows", s.GetRows(), &both.rows}} {
			if axis.pattern == "" || axis.pattern == None {
				continue
			}
			v, err := analog.ParsePattern(axis.pattern)
			if err != nil {
				p.m.Add(fmt.Sprintf("view.shares[%d].%s", i, axis.name), err.Error(),
					`write 0s and 1s such as "10101010"`)
			}
			*axis.into = v
		}
		p.steps = append(p.steps, both)
	}
	smoothing := p.View.GetSmoothingSteps()
	if smoothing > maxSteps {
		p.m.Add("view.smoothing_steps", fmt.Sprintf("%d steps are too many", smoothing),
			fmt.Sprintf("use at most %d", maxSteps))
		smoothing = 0
	}
	for i := range smoothing {
		pair := uint8(0x55) << (i & 1) // 0x55 and 0xaa
		p.steps = append(p.steps, step{pair, pair})
	}
	if rows > 1 || columns > 1 {
		p.steps = append(p.steps, step{analog.BlockPattern(columns), analog.BlockPattern(rows)})
	}
	trim, m := p.class.Trim(p.View.GetTrim())
	p.m = append(p.m, m.Under("view.trim")...)
	p.trim = trim
	w, m := chipmodel.NewWindow(p.View.GetWindow(), p.class, rows, columns)
	p.m = append(p.m, m.Under("view.window")...)
	p.window = w
}

// possible says what chips of the class cannot do, and why.
func (p *plan) possible() {
	parts := "(" + p.class.Parts() + ")"
	switch {
	case p.class.HasMemory():
	case p.class.HasPatterns() && len(p.steps) > 1:
		p.m.Add("columns", fmt.Sprintf("chips of class %q cannot share %d times, so they cannot smooth: their "+
			"switches join pixels before the light is sensed, and there is no memory to share again in %s",
			p.class.Name, len(p.steps), parts),
			"give one step, which sets the patterns")
	case !p.class.HasPatterns() && len(p.steps) > 0:
		p.m.Add("columns", fmt.Sprintf("chips of class %q cannot share, smooth or bin: they have no switches %s",
			p.class.Name, parts), "leave the patterns out")
	}
	if p.Hold > 0 && !p.class.HasMemory() {
		p.m.Add("hold", fmt.Sprintf("chips of class %q hold nothing: they have no memory %s", p.class.Name, parts),
			"leave it out")
	}
	if len(p.steps) > maxSteps {
		p.m.Add("columns", fmt.Sprintf("%d steps are too many", len(p.steps)), fmt.Sprintf("use at most %d", maxSteps))
	} else if int64(len(p.steps))*int64(len(p.Input.Pixels)) > maxWork {
		p.m.Add("columns", fmt.Sprintf("%d steps on %d cells are too much work", len(p.steps), len(p.Input.Pixels)),
			"take a smaller matrix or fewer steps")
	}
}

// run carries out a checked plan.
func (p *plan) run() Matrix {
	var noise *analog.Noise
	if !p.Ideal {
		noise = analog.NewNoise(p.Seed, 0x9e7e0000)
	}
	d := die.NewClass(p.class, noise)
	response := die.NewResponse(p.class)
	lux := p.Input.Pixels
	if p.Unit == Volts && !p.class.HasMemory() {
		lux = make([]float64, len(p.Input.Pixels))
		for i, v := range p.Input.Pixels {
			lux[i], _ = response.Lux(v)
		}
	}
	light := die.Still(func(dst []float64, row int, _ bustime.Time) {
		copy(dst, lux[row*p.Input.Columns:(row+1)*p.Input.Columns])
	})
	p.prepare(d, light)
	out := Matrix{Rows: p.window.Rows, Columns: p.window.Columns, Pixels: make([]float64, p.window.Pixels())}
	loadRow := p.class.Spec.GetMemory().GetLoadRow().AsDuration()
	for i := range out.Rows {
		row := p.window.Row + i*p.window.RowStep
		line := out.Pixels[i*out.Columns : (i+1)*out.Columns]
		d.Row(line, row, p.window.Column, p.window.ColumnStep, bustime.Time(time.Duration(row)*loadRow+p.Hold), 0,
			light)
		if p.Unit == Lux {
			for c, v := range line {
				line[c], _ = response.Lux(d.Signal(v))
			}
		}
	}
	return out
}

// prepare sets the registers, loads and shares.
func (p *plan) prepare(d *die.Die, light *die.Light) {
	for _, r := range p.trim {
		d.Write(r.Register, r.Value)
	}
	switch {
	case !p.class.HasMemory():
	case p.Unit == Volts:
		if err := d.Preset(p.Input.Pixels, 0); err != nil {
			p.m.Add("input", err.Error(), "")
			return
		}
	default:
		d.Strobe(chipmodel.Load, 0, 0, light)
	}
	for _, s := range p.steps {
		d.Write(chipmodel.ColumnPattern, uint16(s.columns))
		d.Write(chipmodel.RowPattern, uint16(s.rows))
		if p.class.HasMemory() {
			d.Strobe(chipmodel.Share, 0, p.shareHold(s), light)
		}
	}
}

// shareHold is how long the bus would keep the switches of a step closed.
func (p *plan) shareHold(s step) time.Duration {
	if p.Array != nil && p.Class != nil {
		return p.Array.ShareHold(p.Class, s.columns, s.rows)
	}
	m := p.class.Spec.GetMemory()
	return analog.ShareSettle(analog.LargestBlock(s.rows, p.class.Rows),
		analog.LargestBlock(s.columns, p.class.Columns),
		m.GetSwitchResistanceOhms(), m.GetCellCapacitanceFf()*1e-15, p.class.Bits)
}
