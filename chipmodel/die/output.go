package die

import (
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// supply is what feeds the pixels: the operating point that a bias register moves, and a regulator. Both move a pixel's
// signal when it is sampled: at the readout, or with a memory at the load.
type supply struct {
	moves bool // whether there is a bias register or a regulator at all
	shift float64
	// Of the regulator: how far the mean supply is above what it needs, negative when it falls short; and by how much
	// its output is too low for that reason.
	headroom, sag float64
	ripple, hz    float64
	rejected      float64 // ripple that passes a regulator with enough headroom
}

// newSupply makes a supply; a nil rng makes it ideal, without ripple.
func newSupply(spec *facetdv1.ChipClass, rng *analog.Noise) supply {
	s := supply{moves: spec.GetRegulator() != nil || spec.GetPixelBias() != nil}
	if r := spec.GetRegulator(); r != nil {
		s.headroom = r.GetSupplyVolts() - r.GetDropoutVolts() - r.GetOutputVolts()
		s.sag = max(-s.headroom, 0)
		if rng != nil {
			s.ripple, s.hz = r.GetSupplyRippleVolts(), r.GetSupplyRippleHz()
			s.rejected = s.ripple * math.Pow(10, -r.GetRejectionDb()/20)
		}
	}
	return s
}

// pixelShift is by how much a value of the bias register moves the operating point.
func pixelShift(bias *facetdv1.PixelBias, value uint16) float64 {
	if bias == nil {
		return 0
	}
	return bias.GetVoltsPerStep() * (float64(value) - float64(bias.GetNominal()))
}

// regulated is by how much the supply of the pixels is off its nominal value at a bus time.
// A regulator lets a little ripple through; where the supply comes nearer to its output
// than the dropout, the output follows the supply, ripple and all.
func (s *supply) regulated(at bustime.Time) float64 {
	if s.ripple == 0 {
		return -s.sag
	}
	wave := math.Sin(2 * math.Pi * s.hz * float64(at) * 1e-9)
	return min(s.rejected*wave, s.headroom+s.ripple*wave)
}

// at is what the supply adds to the signal of a pixel at a bus time.
func (s *supply) at(at bustime.Time) float64 { return s.shift + s.regulated(at) }

// add moves the signals of pixels that are sampled one after another.
func (s *supply) add(volts []float64, at bustime.Time, interval time.Duration) {
	if !s.moves {
		return
	}
	for i := range volts {
		volts[i] += s.at(at.Add(time.Duration(i) * interval))
	}
}

// output is what lies between the storage and the lane, with the registers as they are now.
type output struct {
	bandwidth float64 // of nominal
	amplifier *facetdv1.Amplifier
	gain      float64
	offset    float64
}

func newOutput(spec *facetdv1.ChipClass, registers *[chipmodel.NumRegisters]uint16) output {
	o := output{bandwidth: 1, amplifier: spec.GetAmplifier(), gain: 1}
	if bias := spec.GetOutputBias(); bias != nil {
		o.bandwidth = analog.BiasBandwidth(bias.GetBandwidthPerStep(),
			int(registers[chipmodel.OutputBias])-int(bias.GetNominal()))
	}
	if a := o.amplifier; a != nil {
		o.gain = a.GetGains()[min(int(registers[chipmodel.Gain]), len(a.GetGains())-1)]
		o.offset = a.GetOffsetStepVolts() * float64(int8(uint8(registers[chipmodel.Offset])))
	}
	return o
}

// drive amplifies and clips.
func (o *output) drive(volts []float64) {
	if o.amplifier == nil {
		return
	}
	mid, low, high := o.amplifier.GetMidVolts(), o.amplifier.GetLowVolts(), o.amplifier.GetHighVolts()
	for i, v := range volts {
		volts[i] = min(max(mid+o.gain*(v-mid)+o.offset, low), high)
	}
}

// signal undoes drive, as far as nothing was clipped.
func (o *output) signal(volts float64) float64 {
	if o.amplifier == nil {
		return volts
	}
	mid := o.amplifier.GetMidVolts()
	return mid + (volts-o.offset-mid)/o.gain
}
