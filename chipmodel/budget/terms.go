package budget

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel/analog"
)

// weights is the sum of the squares of the weights with which pixels enter the middle
// one after all shares: what is independent from pixel to pixel keeps that part of its
// variance. Shares are symmetric and separable, so the weights along each axis are
// what the shares in reverse make of a single cell.
func (k *reckoning) weights() float64 {
	axis := func(cells int, pattern func(Share) uint8) float64 {
		p := analog.Plane{Rows: 1, Columns: cells, Volts: make([]float64, cells)}
		p.Volts[cells/2] = 1
		var s analog.Sharer
		for _, share := range slices.Backward(k.Shares) {
			s.Share(&p, pattern(share), 0, -1)
		}
		var sum float64
		for _, v := range p.Volts {
			sum += v * v
		}
		return sum
	}
	return axis(k.class.Rows, func(s Share) uint8 { return s.Rows }) *
		axis(k.class.Columns, func(s Share) uint8 { return s.Columns })
}

// joined is the number of pixels of the middle block that pixel switches join.
func (k *reckoning) joined() float64 {
	side := func(pattern uint8, cells int) int {
		for start := 0; ; {
			end := analog.BlockEnd(pattern, cells, start)
			if end > cells/2 {
				return end - start
			}
			start = end
		}
	}
	return float64(side(k.Rows, k.class.Rows) * side(k.Columns, k.class.Columns))
}

// linearPixel: shot noise sqrt(N) of all gathered charge (Poisson), read noise, and the
// non-uniformities of EMVA 1288 (from memory).
func (k *reckoning) linearPixel() {
	p := k.class.Spec.GetLinear()
	seconds := p.GetExposure().AsDuration().Seconds()
	light := p.GetElectronsPerLuxS() * seconds * k.Lux
	dark := p.GetDarkElectronsPerS() * seconds * analog.Doubling(k.kelvin, p.GetDarkDoublingK())
	volts := p.GetVoltsPerElectron() * k.gain * math.Sqrt(k.cells/k.joined())
	if light+dark < p.GetFullWellElectrons() { // a full well holds the same each time
		k.add("shot noise", Random, volts*math.Sqrt(light+dark),
			"more light or exposure raises the signal faster than this")
	}
	// Joined pixels are read as one: their number does not lower the noise of the readout.
	k.add("read noise", Random, volts*math.Sqrt(k.joined())*p.GetReadNoiseElectrons(),
		"a higher conversion gain, or the mean of several frames")
	if !k.Calibrated {
		spread := math.Hypot(p.GetDarkSpreadElectrons(), p.GetGainSpread()*light)
		k.add("fixed pattern", Fixed, volts*spread, "calibrate dark level and gain of each pixel")
	}
}

// logarithmicPixel: the shot noise of photocurrent and load, integrated over the
// node's own bandwidth, is kT/C whatever the light (two sources 2qI into U_T/I); so
// shot noise is not a term of its own. It goes through the chain's gain, b/U_T.
func (k *reckoning) logarithmicPixel() {
	p := k.class.Spec.GetLogarithmic()
	b := p.GetVoltsPerDecade() / math.Ln10 * k.kelvin / 300
	dark := p.GetDarkLux() * analog.Doubling(k.kelvin, p.GetDarkDoublingK())
	part := math.Sqrt(k.cells / k.joined())
	if c := p.GetNodeCapacitanceFf() * 1e-15; c > 0 {
		contrast := analog.KTCVolts(k.kelvin, c) / analog.ThermalVolts(k.kelvin)
		// Closer frames have part of it in common: exp(-T/tau).
		remedy := "a larger node, binning before the memory adds its own, or the mean of several frames that are " +
			"further apart than its time constant"
		if perLux := p.GetPhotocurrentFaPerLux() * 1e-15; perLux > 0 {
			tau := analog.LogTau(c, k.kelvin, perLux*(k.Lux+dark))
			remedy += fmt.Sprintf(" at this light, %.2g ms", 1e3*tau)
		} else {
			remedy += ", which goes as one over the light"
		}
		k.add("shot noise, as kT/C of the pixel", Random, k.gain*b*contrast*part, remedy)
	}
	if k.Calibrated {
		return
	}
	offset := p.GetOffsetSpreadVolts()
	gain := p.GetGainSpread() * b * math.Log(k.Lux+dark)
	bend := p.GetDarkSpread() * b * dark / (k.Lux + dark)
	k.add("fixed pattern", Fixed, k.gain*part*math.Sqrt(offset*offset+gain*gain+bend*bend),
		"calibrate offset, gain and dark term of each pixel")
}

// memory: kT/C of the cells, which sharing neither lowers nor raises (thermal
// equilibrium), droop, charge injection, and what unsettled shares leave.
func (k *reckoning) memory() {
	m := k.class.Spec.GetMemory()
	cell := m.GetCellCapacitanceFf() * 1e-15
	k.add("kT/C of the memory cells", Random, k.gain*analog.KTCVolts(k.kelvin, cell),
		"larger cells, or the mean of several frames; smoothing and binning do not lower it")
	k.add("droop", Systematic, k.class.Droop(k.Hold, k.Lux, k.gain),
		"a shorter hold (load in batches), a cooler chip, or shade")
	var injected, unsettled float64
	for _, s := range k.Shares {
		rows, columns := analog.LargestBlock(s.Rows, k.class.Rows), analog.LargestBlock(s.Columns, k.class.Columns)
		if max(rows, columns) < 2 {
			continue
		}
		injected += m.GetInjectionVolts()
		closed := s.Closed
		if closed == 0 {
			closed = k.array.ShareHold(k.class, s.Columns, s.Rows)
		}
		left := math.Exp2(-float64(k.class.Bits+1)) * k.fraction(m.GetShareSettle().AsDuration(), closed)
		if m.GetShareSettle() == nil {
			rc := m.GetSwitchResistanceOhms() * cell
			left = analog.ShareLeft(rows, columns, closed.Seconds()/rc)
		}
		unsettled += left * k.DifferenceVolts
	}
	k.add("charge injection", Systematic, k.gain*injected,
		"fewer shares; a calibration with the same shares removes it")
	k.add("shares not settled", Systematic, unsettled, "keep the switches closed for longer, or use smaller blocks")
}

// fraction is 1 at the measured settling time, larger or smaller away from it by the
// law of one pole.
func (k *reckoning) fraction(measured, closed time.Duration) float64 {
	if measured <= 0 {
		return 1
	}
	return math.Exp2(float64(k.class.Bits+1) * (1 - float64(closed)/float64(measured)))
}

// readout: the line and the converter.
func (k *reckoning) readout() {
	needed := k.array.LaneSettle(k.chip)
	given := k.Settle
	if given == 0 {
		given = needed
	}
	bandwidth := k.Bandwidth
	if bandwidth == 0 {
		bandwidth = 1
	}
	bits := float64(k.lane.Bits)
	k.add("ghost of the previous pixel", Systematic,
		k.DifferenceVolts*math.Exp2(-(bits+1)*bandwidth*float64(given)/float64(needed)),
		"give the lane longer to settle, raise the output's bias, or put fewer chips on the lane")
	c := k.lane.Spec.GetConverter()
	step := k.out.StepVolts
	k.add("amplifier and converter noise", Random, c.GetNoiseVolts(),
		"the mean of several frames, or a quieter amplifier")
	k.add("quantisation", Random, step/math.Sqrt(12), "more bits, or a range that fits the signal")
	// A parabola of peak p through both ends has the mean square 8/15 p^2.
	k.add("integral non-linearity", Systematic, c.GetIntegralNonlinearitySteps()*step*math.Sqrt(8.0/15),
		"calibrate the converter's curve")
	k.add("differential non-linearity", Systematic, c.GetDifferentialNonlinearitySteps()*step/math.Sqrt2,
		"calibrate the converter's curve, or the mean over a ramp of several codes")
	if !k.Calibrated {
		shift := c.GetOffsetVolts() + c.GetGainError()*(k.out.SignalVolts-c.GetLowVolts())
		k.add("offset and gain of the converter", Systematic, shift, "calibrate the converter at two voltages")
	}
	if r := k.class.Spec.GetRegulator(); r != nil {
		// It moves all pixels that are sampled at one instant alike, so joining them does not lower it.
		k.add("supply ripple", Random, k.gain*supplyRipple(r),
			"a supply further above the regulator's output, or a filter")
	}
}

// supplyRipple is what the ripple of the supply leaves on the regulator's output, as a
// root mean square: a part of it where the supply is high enough, and where it comes
// nearer to the output than the dropout, all of it.
func supplyRipple(r *facetdv1.Regulator) float64 {
	ripple := r.GetSupplyRippleVolts()
	headroom := r.GetSupplyVolts() - r.GetDropoutVolts() - r.GetOutputVolts()
	passed := ripple * math.Pow(10, -r.GetRejectionDb()/20)
	const points = 1000 // over one cycle
	var mean, squares float64
	for i := range points {
		wave := math.Sin(2 * math.Pi * (float64(i) + 0.5) / points)
		v := min(passed*wave, headroom+ripple*wave)
		mean += v / points
		squares += v * v / points
	}
	return math.Sqrt(max(squares-mean*mean, 0))
}

// finish converts, sorts and adds up.
func (k *reckoning) finish() {
	b := &k.out
	convert := func(t *Term) {
		t.Codes = t.Volts / b.StepVolts
		if b.VoltsPerDecade != 0 {
			t.Decades = t.Volts / math.Abs(b.VoltsPerDecade)
		}
	}
	var random, all float64
	for i := range b.Terms {
		t := &b.Terms[i]
		convert(t)
		all += t.Volts * t.Volts
		if t.Nature == Random {
			random += t.Volts * t.Volts
		}
	}
	slices.SortStableFunc(b.Terms, func(x, y Term) int { return cmp.Compare(y.Volts, x.Volts) })
	b.Random = Term{Name: "all random terms", Nature: Random, Volts: math.Sqrt(random)}
	b.Total = Term{Name: "all terms", Volts: math.Sqrt(all)}
	b.Largest, b.Remedy = b.Terms[0].Name, b.Terms[0].Remedy
	b.Random.Remedy, b.Total.Remedy = b.Remedy, b.Remedy
	for _, t := range b.Terms {
		if t.Nature == Random {
			b.Random.Remedy = t.Remedy
			break
		}
	}
	convert(&b.Random)
	convert(&b.Total)
}

// Table writes the budget for people.
func (b Budget) Table() string {
	var out strings.Builder
	fmt.Fprintf(&out, "%s (%s) on lane %s at %g lux: %.4g V, %.3g mV per decade, step %.3g mV\n",
		b.Chip, b.Class, b.Lane, b.Lux, b.SignalVolts, 1e3*b.VoltsPerDecade, 1e3*b.StepVolts)
	out.WriteString(b.Saturation.warning())
	w := tabwriter.NewWriter(&out, 0, 0, 2, ' ', 0)
	row := func(t Term) {
		decades := fmt.Sprintf("%.3g", t.Decades)
		if b.Saturation.By != "" {
			decades = "-"
		}
		fmt.Fprintf(w, "%s\t%s\t%.4g\t%.3g\t%s\n", t.Name, t.Nature, 1e3*t.Volts, t.Codes, decades)
	}
	fmt.Fprintln(w, "term\tnature\tmV\tcodes\tdecades")
	for _, t := range b.Terms {
		row(t)
	}
	row(b.Random)
	row(b.Total)
	w.Flush()
	out.WriteString(unknownLines(b.Unknown))
	out.WriteString(b.Saturation.ends())
	if b.Saturation.By == "" {
		fmt.Fprintf(&out, "largest: %s; to lower it: %s\n", b.Largest, b.Remedy)
	}
	out.WriteString(b.Optics.lines())
	return out.String()
}
