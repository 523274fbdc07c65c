package virtual

import (
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/die"
)

// nominalDie is a die without mismatch, noise, lag or droop: the nominal pixel of
// its class, and memory that holds and shares exactly.
type nominalDie struct {
	class     *chipmodel.Class
	registers [chipmodel.NumRegisters]uint16
	cells     []float64 // memory, row by row
	lux       []float64
}

func nominalDieOf(a *chipmodel.Array, chip int, _ uint64) dieModel {
	class := a.Chips[chip].Class
	d := &nominalDie{class: class, lux: make([]float64, class.Columns)}
	if class.HasMemory() {
		d.cells = make([]float64, class.Rows*class.Columns)
	}
	return d
}

func (d *nominalDie) Write(r facetdv1.Register, value uint16) { d.registers[r] = value }

func (d *nominalDie) volts(lux float64) float64 {
	p := d.class.Spec.GetLogarithmic()
	return p.GetOffsetVolts() + p.GetVoltsPerDecade()*math.Log10(p.GetDarkLux()+lux)
}

func (d *nominalDie) Strobe(s facetdv1.Strobe, at bus.Time, _ time.Duration, light *die.Light) {
	if d.cells == nil {
		return
	}
	columns := d.class.Columns
	switch s {
	case chipmodel.Load:
		for row := range d.class.Rows {
			light.Row(d.lux, row, bus.Time(at))
			for c, lux := range d.lux {
				d.cells[row*columns+c] = d.volts(lux)
			}
		}
	case chipmodel.Share:
		columnPattern, rowPattern := d.registers[chipmodel.ColumnPattern], d.registers[chipmodel.RowPattern]
		for row := range d.class.Rows {
			shareLine(d.cells[row*columns:(row+1)*columns], columns, 1, columnPattern)
		}
		for c := range columns {
			shareLine(d.cells[c:], d.class.Rows, columns, rowPattern)
		}
	}
}

// shareLine gives every run of cells that the pattern joins its mean.
func shareLine(cells []float64, n, stride int, pattern uint16) {
	first, sum := 0, 0.0
	for i := range n {
		sum += cells[i*stride]
		if i < n-1 && pattern>>(i&7)&1 == 1 {
			continue
		}
		for j := first; j <= i; j++ {
			cells[j*stride] = sum / float64(i-first+1)
		}
		first, sum = i+1, 0
	}
}

func (d *nominalDie) Row(dst []float64, row, column, columnStep int, at bus.Time, _ time.Duration, light *die.Light) {
	if d.cells != nil {
		for i := range dst {
			dst[i] = d.cells[row*d.class.Columns+column+i*columnStep]
		}
		return
	}
	light.Row(d.lux, row, bus.Time(at))
	for i := range dst {
		dst[i] = d.volts(d.lux[column+i*columnStep])
	}
}

// nominalLane is an ideal converter.
type nominalLane struct {
	low, perStep float64
	highest      float64
}

func nominalLaneOf(a *chipmodel.Array, lane int, _ uint64) laneModel {
	conv := a.Lanes[lane].Spec.GetConverter()
	steps := math.Exp2(float64(conv.GetBits()))
	return &nominalLane{conv.GetLowVolts(), steps / (conv.GetHighVolts() - conv.GetLowVolts()), steps - 1}
}

func (l *nominalLane) Residual(time.Duration, time.Duration) float64 { return 0 }

func (l *nominalLane) Convert(codes []uint16, volts []float64, _ float64) {
	for i, v := range volts {
		codes[i] = uint16(min(max(math.Floor((v-l.low)*l.perStep), 0), l.highest))
	}
}

// SetKelvin does nothing: a nominal die is that of its class.
func (d *nominalDie) SetKelvin(float64) {}

func (d *nominalDie) Register(r facetdv1.Register) uint16 { return d.registers[r] }

// Readouts change nothing of nominal dies and lanes.
func (*nominalDie) Remember()  {}
func (*nominalDie) Undo()      {}
func (*nominalDie) Forget()    {}
func (*nominalLane) Remember() {}
func (*nominalLane) Undo()     {}
