package die

import (
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// trimmed is a counter chip with a supply regulator, two bias registers and an
// output amplifier.
type trimmed struct {
	direct
	die  *Die
	spec *facetdv1.TrimmedChip
	// Set by the registers.
	shift, gain, offset, bandwidth float64
	// Of the supply: a lowered regulator output, and the ripple that gets through.
	sag, ripple float64
}

func newTrimmed(d *Die, px *pixels) *trimmed {
	t := &trimmed{direct: direct{px}, die: d, spec: d.class.Spec.GetTrimmed()}
	// The lowest supply within the ripple must stay above the output by the
	// dropout; below that the output follows the supply, ripple and all.
	lowest := t.spec.GetSupplyVolts() - t.spec.GetSupplyRippleVolts()
	if short := t.spec.GetRegulatorVolts() + t.spec.GetRegulatorDropoutVolts() - lowest; short > 0 {
		t.sag = short
		t.ripple = t.spec.GetSupplyRippleVolts()
	} else {
		t.ripple = t.spec.GetSupplyRippleVolts() * math.Pow(10, -t.spec.GetRegulatorRejectionDb()/20)
	}
	return t
}

func (t *trimmed) powerOn() { t.written(0) }

func (t *trimmed) written(facetdv1.Register) {
	bias := t.spec.GetPixelBias()
	t.shift = bias.GetVoltsPerStep() * (float64(t.die.registers[chipmodel.PixelBias]) - float64(bias.GetNominal()))
	gains := t.spec.GetGains()
	t.gain = gains[min(int(t.die.registers[chipmodel.Gain]), len(gains)-1)]
	t.offset = t.spec.GetOffsetStepVolts() * float64(int8(uint8(t.die.registers[chipmodel.Offset])))
	output := t.spec.GetOutputBias()
	t.bandwidth = analog.BiasBandwidth(output.GetBandwidthPerStep(), int(t.die.registers[chipmodel.OutputBias])-int(output.GetNominal()))
}

func (t *trimmed) strobe(facetdv1.Strobe, int64, time.Duration, Light) {}

func (t *trimmed) row(dst []float64, row, column, step int, atNS, intervalNS int64, light Light) {
	t.direct.row(dst, row, column, step, atNS, intervalNS, light)
	mid := t.spec.GetAmplifierMidVolts()
	for i, v := range dst {
		v += t.shift - t.sag
		if t.ripple != 0 && t.px.rng != nil {
			v += t.ripple * math.Sin(2*math.Pi*t.spec.GetSupplyRippleHz()*float64(atNS+int64(i)*intervalNS)*1e-9)
		}
		v = mid + t.gain*(v-mid) + t.offset
		dst[i] = min(max(v, t.spec.GetOutputLowVolts()), t.spec.GetOutputHighVolts())
	}
}
