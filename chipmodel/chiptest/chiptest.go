// Package chiptest makes classes of chips for tests: every combination of the parts that a
// class can have. Its numbers are invented.
package chiptest

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Combinations is in how many ways a class can be made of parts: two arrangements, two
// pixels, memory or pixel switches or neither, a counter or not, and each of regulator,
// pixel bias, output bias and amplifier or not.
const Combinations = 2 * 2 * 3 * 2 * 16

// Class is the n-th of them, with a lattice of 12 x 12 pixels and a settling time of 2 us.
func Class(n int) *facetdv1.ChipClass {
	c := &facetdv1.ChipClass{
		Name: fmt.Sprint("parts-", n),
		Lattice: &facetdv1.Lattice{Rows: 12, Columns: 12, PitchXUm: 20,
			Arrangement: facetdv1.Arrangement_ARRANGEMENT_SQUARE},
		Readout: &facetdv1.Readout{Step: us(0.5), RowStep: us(0.5), Settle: us(2)},
		Pixel: &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{
			OffsetVolts: 1.2, VoltsPerDecade: 0.1, DarkLux: 0.01, OffsetSpreadVolts: 0.005, NodeCapacitanceFf: 50,
			PhotocurrentFaPerLux: 100,
		}},
	}
	// next is the next digit of n, in a system whose digits have different bases.
	next := func(base int) int {
		digit := n % base
		n /= base
		return digit
	}
	if next(2) == 1 {
		c.Lattice.Arrangement = facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL
	}
	if next(2) == 1 {
		c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
			Exposure: us(10_000), ElectronsPerLuxS: 2e4, DarkElectronsPerS: 1e4, FullWellElectrons: 2e4,
			VoltsPerElectron: 1e-4,
			ResetVolts:       2, ReadNoiseElectrons: 15, DarkSpreadElectrons: 80, GainSpread: 0.008,
		}}
	}
	switch next(3) {
	case 1:
		if l := c.GetLinear(); l != nil {
			l.Shutter = &facetdv1.Shutter{Least: us(3), Most: us(20_000)}
		}
		c.Memory = &facetdv1.AnalogMemory{LoadRow: us(5), CellCapacitanceFf: 100, ShareSettle: us(4), LeakFa: 2,
			LeakDoublingK: 10}
	case 2:
		c.PixelSwitches = &facetdv1.PixelSwitches{PatternSettle: us(30)}
	}
	if next(2) == 1 {
		c.Counter = &facetdv1.Counter{Reset_: us(2)}
	}
	if next(2) == 1 {
		c.Regulator = &facetdv1.Regulator{
			SupplyVolts: 3.3, SupplyRippleVolts: 0.05, SupplyRippleHz: 1234.567, OutputVolts: 2.5, DropoutVolts: 0.2,
			RejectionDb: 40,
		}
	}
	if next(2) == 1 {
		c.PixelBias = &facetdv1.PixelBias{Nominal: 100, VoltsPerStep: proto.Float64(0.001)}
	}
	if next(2) == 1 {
		c.OutputBias = &facetdv1.OutputBias{Nominal: 120, BandwidthPerStep: proto.Float64(0.01)}
	}
	if next(2) == 1 {
		c.Amplifier = &facetdv1.Amplifier{Gains: []float64{1, 2, 4}, MidVolts: proto.Float64(1.4),
			OffsetStepVolts: proto.Float64(0.005), LowVolts: 0.2, HighVolts: 2.8}
	}
	return c
}

func us(n float64) *durationpb.Duration { return durationpb.New(time.Duration(n * 1e3)) }
