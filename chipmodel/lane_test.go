package chipmodel_test

import (
	"math"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// TestCodesStandForTheMiddleOfTheirStep: what a code is decoded to is never off by more than half a step, and over a
// ramp it is right on average (IEEE 1241 takes the middle of the step; from memory).
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
	}
}

// TestTransferAsDataSheetsHaveIt: data sheets count volts from where code 0 stands, so that an ideal converter of n
// bits
// has its first transition at half a step and its last at a step and a half below full scale, 2^n steps above (seen in
// "ADC Parameter Definitions" of Microchip's AVR data sheets, and of the first transition in Actel's data sheet of the
// AFS60). What we call the volts of code 0 is the zero of such a sheet.
func TestTransferAsDataSheetsHaveIt(t *testing.T) {
	for _, bits := range []int{4, 8, 10, 12, 16} {
		lane := &chipmodel.Lane{Bits: bits, Spec: &facetdv1.Lane{Converter: &facetdv1.Converter{
			Bits: uint32(bits), LowVolts: 0.4, HighVolts: 2.1}}}
		converter := analog.NewConverter(analog.ConverterSpec{Bits: bits, LowVolts: 0.4, HighVolts: 2.1}, nil)
		steps := math.Exp2(float64(bits))
		for _, c := range []struct {
			at    float64 // in steps
			below uint16  // the code below the transition
		}{{0.5, 0}, {1.5, 1}, {steps/2 - 0.5, uint16(steps/2 - 1)}, {steps - 1.5, uint16(steps - 2)}} {
			for _, side := range []float64{-1e-3, 1e-3} {
				var code [1]uint16
				converter.Convert(code[:], []float64{lane.CodeZeroVolts() + (c.at+side)*lane.StepVolts()}, 0, 0)
				want := c.below
				if side > 0 {
					want++
				}
				if code[0] != want {
					t.Errorf("%d bits, %g steps above the zero: code %d, want %d", bits, c.at+side, code[0], want)
				}
			}
		}
	}
}
