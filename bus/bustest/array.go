package bustest

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// Select lines of the test array, as words.
const (
	F chipmodel.LineSet = 1 << iota // memory chips
	G                               // counter chips
	H                               // chips with pixel switches and hexagonal ones
	X0
	X1
	X2
)

// Chips of the test array, by index.
const (
	M0 = iota // memory, lane a
	M1        // memory, lane b
	M2        // memory, lane a
	C0        // counter, lane a
	T0        // counter, biases and amplifier, lane b
	S0        // pixel switches, lane a
	H0        // hexagonal, lane b
)

// MustArray returns a small invented array with chips of five classes, three of the one with memory and one of each
// other, on two lanes: the converter of lane a samples and holds, that of lane b does not. A chip listens while its
// family's line (F, G or H) and one of X0, X1 and X2 are active. It panics when the array is not valid.
func MustArray() *chipmodel.Array {
	a, m := chipmodel.New(Message())
	if len(m) > 0 {
		panic(fmt.Sprint("test array: ", m))
	}
	return a
}

// Message returns the description of the test array, for tests that change it and validate it again.
func Message() *facetdv1.Array {
	return &facetdv1.Array{
		Name:        "bench",
		SelectLines: []string{"f", "g", "h", "x0", "x1", "x2"},
		Timing: &facetdv1.BusTiming{
			DeadTime: ns(100), SelectSetup: ns(200), Write: ns(1000), Strobe: ns(500), ReleaseLimit: ns(20000),
		},
		Lanes: []*facetdv1.Lane{
			{Name: "a", LineCapacitancePf: 10, ChipCapacitancePf: proto.Float64(1), Converter: &facetdv1.Converter{
				Bits: 10, LowVolts: 0.5, HighVolts: 2.5, Conversion: ns(1000), SampleAndHold: true, NoiseVolts: 1e-4,
			}},
			{Name: "b", LineCapacitancePf: 12, ChipCapacitancePf: proto.Float64(1), Converter: &facetdv1.Converter{
				Bits: 12, LowVolts: 0.5, HighVolts: 2.5, Conversion: ns(1500), NoiseVolts: 1e-4,
			}},
		},
		Classes: classes(),
		Chips: []*facetdv1.Chip{
			chip("m0", "mem", "f", "x0", "a", 0), chip("m1", "mem", "f", "x1", "b", 90),
			chip("m2", "mem", "f", "x2", "a", 180),
			chip("c0", "count", "g", "x0", "a", 0), chip("t0", "trim", "g", "x1", "b", 0),
			chip("s0", "switch", "h", "x0", "a", 0), chip("h0", "hex", "h", "x1", "b", 0),
		},
		Groups: []*facetdv1.Group{{Name: "mems", Chips: []string{"m0", "m1", "m2"}}},
	}
}

// LinearMessage is Message with linear pixels on the chips with memory, which expose for 100 us by themselves, or for
// 1 us to 1 ms with the shutter that they have. A lux gives 800,000 electrons a second, of 15 uV each below 2.4 V, and
// the full well is 100,000.
func LinearMessage() *facetdv1.Array {
	msg := Message()
	msg.Classes[0].Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
		Exposure: ns(100_000), ElectronsPerLuxS: 8e5, FullWellElectrons: 1e5, VoltsPerElectron: 15e-6, ResetVolts: 2.4,
		ReadNoiseElectrons: 10, Shutter: &facetdv1.Shutter{Least: ns(1000), Most: ns(1_000_000)},
	}}
	return msg
}

// MustLinearArray is the checked array of LinearMessage.
func MustLinearArray() *chipmodel.Array {
	a, m := chipmodel.New(LinearMessage())
	if len(m) > 0 {
		panic(fmt.Sprint("test array of linear pixels: ", m))
	}
	return a
}

func ns(n int64) *durationpb.Duration { return durationpb.New(time.Duration(n)) }

func chip(name, class, family, line, lane string, yaw float64) *facetdv1.Chip {
	return &facetdv1.Chip{
		Name: name, Class: class, Selects: []string{family, line}, Lane: lane,
		Mount: &facetdv1.Mount{YawDeg: yaw},
		Lens:  &facetdv1.Lens{HorizontalFovDeg: 40, VerticalFovDeg: 30},
	}
}

func classes() []*facetdv1.ChipClass {
	lattice := func(rows, columns uint32) *facetdv1.Lattice {
		return &facetdv1.Lattice{Rows: rows, Columns: columns, PitchXUm: 20}
	}
	measured := &facetdv1.Readout{Step: ns(300), RowStep: ns(200), Settle: ns(700)}
	computed := &facetdv1.Readout{Step: ns(250), RowStep: ns(100), OutputResistanceOhms: 10000}
	log := func() *facetdv1.ChipClass_Logarithmic {
		return &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{
			OffsetVolts: 1, VoltsPerDecade: 0.2, DarkLux: 0.01, OffsetSpreadVolts: 0.005, GainSpread: 0.01,
			NodeCapacitanceFf: 50, PhotocurrentFaPerLux: 100,
		}}
	}
	return []*facetdv1.ChipClass{
		{Name: "mem", Lattice: lattice(4, 6), Pixel: log(), Readout: measured, Memory: &facetdv1.AnalogMemory{
			LoadRow: ns(2000), CellCapacitanceFf: 150, SwitchResistanceOhms: 8000, LeakFa: 2, ShareSettle: ns(3000),
		}},
		{Name: "count", Lattice: lattice(3, 5), Pixel: log(), Readout: computed,
			Counter: &facetdv1.Counter{Reset_: ns(2000)}},
		{Name: "trim", Lattice: lattice(3, 5), Pixel: log(), Readout: computed,
			Counter:    &facetdv1.Counter{Reset_: ns(2000)},
			Regulator:  &facetdv1.Regulator{SupplyVolts: 5, OutputVolts: 3.3, DropoutVolts: 0.3, RejectionDb: 60},
			PixelBias:  &facetdv1.PixelBias{Nominal: 128, VoltsPerStep: proto.Float64(0.001)},
			OutputBias: &facetdv1.OutputBias{Nominal: 100, BandwidthPerStep: proto.Float64(0.002)},
			Amplifier: &facetdv1.Amplifier{Gains: []float64{1, 2, 4}, MidVolts: proto.Float64(1.2),
				OffsetStepVolts: proto.Float64(0.002), LowVolts: 0.1, HighVolts: 3},
		},
		{Name: "switch", Lattice: lattice(4, 4), Pixel: log(), Readout: measured,
			PixelSwitches: &facetdv1.PixelSwitches{PatternSettle: ns(5000)}},
		{Name: "hex", Pixel: log(), Readout: measured, Lattice: &facetdv1.Lattice{
			Rows: 4, Columns: 4, PitchXUm: 20, Arrangement: facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL,
		}},
	}
}

// Wired is a device section for the test array, or one with other chips or lines: its pins are one after another from
// A0 on, to C31 at most.
func Wired(msg *facetdv1.Array) *facetdv1.Device {
	next := chipmodel.Pin(0)
	pins := func(n int) []string {
		var out []string
		for range n {
			out = append(out, next.String())
			next++
		}
		return out
	}
	s := pins(5)
	d := &facetdv1.Device{
		Board: "bench-board", Selects: pins(len(msg.GetSelectLines())),
		Strobes: &facetdv1.StrobePins{Load: s[0], Share: s[1], Reset_: s[2], Advance: s[3], Expose: s[4]},
		Registers: &facetdv1.RegisterPins{Number: pins(chipmodel.NumberPins), Value: pins(chipmodel.ValuePins),
			Write: pins(1)[0]},
		Address: &facetdv1.AddressPins{Row: pins(chipmodel.AddressPins), Column: pins(chipmodel.AddressPins)},
		Clock:   pins(1)[0],
	}
	for i, l := range msg.GetLanes() {
		d.Lanes = append(d.Lanes, &facetdv1.LaneConverter{Lane: l.GetName(), Converter: uint32(i)})
	}
	return d
}
