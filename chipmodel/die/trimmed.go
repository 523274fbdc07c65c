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
	// Of the supply: how far its mean is above what the regulator needs, below zero when
	// short; and by how much the regulator's output is low for its mean.
	headroom, sag float64
	rejected      float64 // ripple that gets through a regulator that has what it needs
}

func newTrimmed(d *Die, px *pixels) *trimmed {
	t := &trimmed{direct: direct{px}, die: d, spec: d.class.Spec.GetTrimmed()}
	t.headroom = t.spec.GetSupplyVolts() - t.spec.GetRegulatorDropoutVolts() - t.spec.GetRegulatorVolts()
	t.sag = max(-t.headroom, 0)
	t.rejected = t.spec.GetSupplyRippleVolts() * math.Pow(10, -t.spec.GetRegulatorRejectionDb()/20)
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

// regulated is by how much the array's supply is off its nominal value at a bus time.
// A regulator lets a little ripple through; where the supply comes nearer to its output
// than the dropout, the output follows the supply, ripple and all.
func (t *trimmed) regulated(atNS int64) float64 {
	if t.px.rng == nil || t.spec.GetSupplyRippleVolts() == 0 {
		return -t.sag
	}
	wave := math.Sin(2 * math.Pi * t.spec.GetSupplyRippleHz() * float64(atNS) * 1e-9)
	return min(t.rejected*wave, t.headroom+t.spec.GetSupplyRippleVolts()*wave)
}

func (t *trimmed) row(dst []float64, row, column, step int, atNS, intervalNS int64, light Light) {
	t.direct.row(dst, row, column, step, atNS, intervalNS, light)
	mid := t.spec.GetAmplifierMidVolts()
	for i, v := range dst {
		v += t.shift + t.regulated(atNS+int64(i)*intervalNS)
		v = mid + t.gain*(v-mid) + t.offset
		dst[i] = min(max(v, t.spec.GetOutputLowVolts()), t.spec.GetOutputHighVolts())
	}
}
