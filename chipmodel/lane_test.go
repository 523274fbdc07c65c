package chipmodel_test

import (
	"math"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// TestCodesStandForTheMiddleOfTheirStep: what a code is decoded to is never off by more than half a step, and over a
// ramp it is right on average (IEEE 1241 takes the middle of the step; from memory). An ideal converter changes from
// one code to the next half a step above what the lower one stands for.
func TestCodesStandForTheMiddleOfTheirStep(t *testing.T) {
	for _, bits := range []int{4, 8, 12, 16} {
		lane := &chipmodel.Lane{Bits: bits, Spec: &facetdv1.Lane{Converter: &facetdv1.Converter{
			Bits: uint32(bits), LowVolts: 0.4, HighVolts: 2.1}}}
		converter := analog.NewConverter(analog.ConverterSpec{Bits: bits, LowVolts: 0.4, HighVolts: 2.1}, nil)
		step, zero := lane.StepVolts(), lane.CodeZeroVolts()
		const n = 200_000
		mean := 0.0
		for i := range n {
			v := 0.4 + 1.7*(float64(i)+0.5)/n
			var code [1]uint16
			converter.Convert(code[:], []float64{v}, 0, 0)
			off := zero + float64(code[0])*step - v
			mean += off / n
			if math.Abs(off) > step/2*(1+1e-9) {
				t.Fatalf("%d bits: %v V gives code %d, which stands for %v V", bits, v, code[0], v+off)
			}
			if near := lane.CodeOf(v); math.Abs(near-float64(code[0])) > 0.5+1e-6 {
				t.Fatalf("%d bits: %v V is said to give %v, and gives %d", bits, v, near, code[0])
			}
		}
		if math.Abs(mean) > 0.01*step {
			t.Errorf("%d bits: decoded volts are off by %.3f steps on average", bits, mean/step)
		}
		// The first transition.
		for _, c := range []struct {
			above float64
			want  uint16
		}{{0.4999, 0}, {0.5001, 1}} {
			var code [1]uint16
			converter.Convert(code[:], []float64{zero + c.above*step}, 0, 0)
			if code[0] != c.want {
				t.Errorf("%d bits: %v steps above what code 0 stands for give code %d, want %d", bits, c.above, code[0],
					c.want)
			}
		}
	}
}
