package chipmodel

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel/analog"
)

// Values of numbers that a class or a chip leaves out and that only the simulation needs,
// typical of small sensor chips: common practice, no source. The schema states them.
const (
	defaultTemperatureK     = 300
	defaultOffsetVolts      = 1 // of a logarithmic pixel of which nothing is said
	defaultVoltsPerDecade   = 0.06
	defaultDarkLux          = 0.01
	defaultElectronsPerLuxS = 1e5
	defaultFullWell         = 2e4
	defaultVoltsPerElectron = 40e-6
	defaultFOVDeg           = 40
)

// orElse sets a number that was left out to its default.
func orElse(v *float64, value float64) {
	if *v == 0 {
		*v = value
	}
}

func (b *builder) classes() {
	seen := map[string]int{}
	if len(b.msg.GetClasses()) == 0 {
		b.m.Add("classes", "the array has no chip classes", "describe at least one")
	}
	for i, c := range b.msg.GetClasses() {
		path := invalid.Index("classes", i)
		b.name(path+".name", c.GetName(), seen, i, "class")
		class := &Class{Name: c.GetName(), Index: i, Spec: c}
		b.lattice(path+".lattice", c, class)
		b.pixel(path, c)
		b.readout(path+".readout", c.GetReadout())
		b.parts(path, c)
		orElse(&c.TemperatureK, defaultTemperatureK)
		b.within(path+".temperature_k", c.GetTemperatureK(), 150, 500, "K")
		b.a.Classes = append(b.a.Classes, class)
	}
}

// parts checks what a class has besides its lattice and pixels.
func (b *builder) parts(path string, c *facetdv1.ChipClass) {
	if c.GetMemory() != nil && c.GetPixelSwitches() != nil {
		b.m.Add(path+".pixel_switches", "the class has a memory too: both use the two pattern registers, so a share "+
			"of the memory would join the pixels",
			"leave out memory or pixel_switches")
	}
	if m := c.GetMemory(); m != nil {
		b.memory(path+".memory", m)
	}
	if c.GetLinear().GetShutter() != nil && c.GetMemory() == nil {
		b.m.Add(path+".linear.shutter", "the class has no memory: its pixels are sampled one after another while they "+
			"are read, and each would be exposed for another time",
			"leave it out, or describe the memory")
	}
	if s := c.GetPixelSwitches(); s != nil {
		if s.GetPatternSettle() == nil {
			b.m.Add(path+".pixel_switches.pattern_settle", invalid.Missing,
				`give a time, such as "40us"; 0s if the pixels follow at once`)
		}
		b.duration(path+".pixel_switches.pattern_settle", s.GetPatternSettle())
	}
	if r := c.GetCounter(); r != nil {
		b.positive(path+".counter.reset", r.GetReset_())
	}
	if r := c.GetRegulator(); r != nil {
		b.regulator(path+".regulator", r)
	}
	if p := c.GetPixelBias(); p != nil {
		b.within(path+".pixel_bias.nominal", float64(p.GetNominal()), 0, 255, "")
		b.given(path+".pixel_bias.volts_per_step", p.VoltsPerStep, -1, 1, "V")
	}
	if p := c.GetOutputBias(); p != nil {
		b.within(path+".output_bias.nominal", float64(p.GetNominal()), 0, 255, "")
		b.given(path+".output_bias.bandwidth_per_step", p.BandwidthPerStep, -1, 1, "")
	}
	if a := c.GetAmplifier(); a != nil {
		b.amplifier(path+".amplifier", a)
	}
}

func (b *builder) lattice(path string, c *facetdv1.ChipClass, class *Class) {
	l := c.GetLattice()
	if l == nil {
		b.m.Add(path, "the class has no lattice", "give rows, columns and pitch_x_um")
		return
	}
	switch l.GetArrangement() {
	case facetdv1.Arrangement_ARRANGEMENT_UNSPECIFIED:
		l.Arrangement = facetdv1.Arrangement_ARRANGEMENT_SQUARE
	case facetdv1.Arrangement_ARRANGEMENT_SQUARE, facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL:
	default:
		b.m.Add(path+".arrangement", fmt.Sprintf("there is no arrangement %d", l.GetArrangement()),
			"use square or hexagonal")
	}
	b.within(path+".rows", float64(l.GetRows()), 1, MaxLatticeSide, "rows")
	b.within(path+".columns", float64(l.GetColumns()), 1, MaxLatticeSide, "columns")
	b.within(path+".pitch_x_um", l.GetPitchXUm(), 0.1, 1000, "um")
	if l.GetPitchYUm() == 0 {
		l.PitchYUm = l.GetPitchXUm()
		if class.Hexagonal() {
			l.PitchYUm *= analog.HexRowPitch
		}
	} else {
		b.within(path+".pitch_y_um", l.GetPitchYUm(), 0.05, 1000, "um")
	}
	if class.Hexagonal() && math.Abs(l.GetPitchYUm()-analog.HexRowPitch*l.GetPitchXUm()) > 0.01*l.GetPitchXUm() {
		b.m.Add(path+".pitch_y_um", fmt.Sprintf("%g um is not sqrt(3)/2 of pitch_x_um", l.GetPitchYUm()),
			"leave it out on a hexagonal lattice")
	}
	class.Rows, class.Columns = int(l.GetRows()), int(l.GetColumns())
}

func (b *builder) pixel(path string, c *facetdv1.ChipClass) {
	switch p := c.GetPixel().(type) {
	case nil:
		c.Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{}}
		b.pixel(path, c)
	case *facetdv1.ChipClass_Logarithmic:
		b.logarithmic(path+".logarithmic", p.Logarithmic)
	case *facetdv1.ChipClass_Linear:
		b.linear(path+".linear", p.Linear)
	}
}

func (b *builder) logarithmic(path string, p *facetdv1.LogarithmicPixel) {
	if proto.Size(p) == 0 {
		p.OffsetVolts = defaultOffsetVolts
	}
	orElse(&p.VoltsPerDecade, defaultVoltsPerDecade)
	orElse(&p.DarkLux, defaultDarkLux)
	b.within(path+".offset_volts", p.GetOffsetVolts(), -20, 20, "V")
	b.within(path+".volts_per_decade", math.Abs(p.GetVoltsPerDecade()), 1e-4, 10, "V per decade")
	b.within(path+".dark_lux", p.GetDarkLux(), 1e-9, 1e6, "lux")
	b.within(path+".offset_spread_volts", p.GetOffsetSpreadVolts(), 0, 1, "V")
	b.within(path+".gain_spread", p.GetGainSpread(), 0, 0.5, "")
	b.within(path+".dark_spread", p.GetDarkSpread(), 0, 2, "")
	b.within(path+".offset_drift_volts_per_k", p.GetOffsetDriftVoltsPerK(), -0.1, 0.1, "V/K")
	b.within(path+".dark_doubling_k", p.GetDarkDoublingK(), 0, 100, "K")
	b.within(path+".node_capacitance_ff", p.GetNodeCapacitanceFf(), 0, 1e6, "fF")
	b.within(path+".photocurrent_fa_per_lux", p.GetPhotocurrentFaPerLux(), 0, 1e9, "fA/lux")
}

func (b *builder) linear(path string, p *facetdv1.LinearPixel) {
	orElse(&p.ElectronsPerLuxS, defaultElectronsPerLuxS)
	orElse(&p.FullWellElectrons, defaultFullWell)
	orElse(&p.VoltsPerElectron, defaultVoltsPerElectron)
	b.positive(path+".exposure", p.GetExposure())
	b.within(path+".electrons_per_lux_s", p.GetElectronsPerLuxS(), 1e-6, 1e12, "electrons per lux s")
	b.within(path+".dark_electrons_per_s", p.GetDarkElectronsPerS(), 0, 1e12, "electrons per s")
	b.within(path+".full_well_electrons", p.GetFullWellElectrons(), 1, 1e9, "electrons")
	b.within(path+".volts_per_electron", p.GetVoltsPerElectron(), 1e-9, 1, "V per electron")
	b.within(path+".reset_volts", p.GetResetVolts(), -20, 20, "V")
	b.within(path+".read_noise_electrons", p.GetReadNoiseElectrons(), 0, 1e6, "electrons")
	b.within(path+".dark_spread_electrons", p.GetDarkSpreadElectrons(), 0, 1e6, "electrons")
	b.within(path+".gain_spread", p.GetGainSpread(), 0, 0.5, "")
	b.within(path+".dark_doubling_k", p.GetDarkDoublingK(), 0, 100, "K")
	if s := p.GetShutter(); s != nil {
		b.shutter(path+".shutter", s)
	}
}

// MaxExposure is the longest exposure that a bus may time: nothing else happens on it meanwhile.
const MaxExposure = time.Minute

func (b *builder) shutter(path string, s *facetdv1.Shutter) {
	least, most := b.positive(path+".least", s.GetLeast()), b.positive(path+".most", s.GetMost())
	switch {
	case most > MaxExposure:
		b.m.Add(path+".most", fmt.Sprintf("%v is longer than a minute", most), fmt.Sprintf("use at most %v",
			MaxExposure))
	case least > most && most > 0:
		b.m.Add(path+".most", fmt.Sprintf("%v is shorter than least, %v", most, least), "give the longest exposure")
	}
}

func (b *builder) readout(path string, r *facetdv1.Readout) {
	if r == nil {
		b.m.Add(path, "the class has no readout", "give step, and settle or output_resistance_ohms")
		return
	}
	b.positive(path+".step", r.GetStep())
	b.duration(path+".row_step", r.GetRowStep())
	if r.GetSettle() != nil {
		b.positive(path+".settle", r.GetSettle())
		return
	}
	if r.GetOutputResistanceOhms() == 0 {
		b.m.Add(path+".settle", invalid.Missing,
			"give it as measured, or output_resistance_ohms, from which it is computed")
		return
	}
	b.within(path+".output_resistance_ohms", r.GetOutputResistanceOhms(), 1e-3, 1e9, "ohms")
}

func (b *builder) memory(path string, m *facetdv1.AnalogMemory) {
	b.positive(path+".load_row", m.GetLoadRow())
	b.within(path+".cell_capacitance_ff", m.GetCellCapacitanceFf(), 0.1, 1e6, "fF")
	if m.GetShareSettle() != nil {
		b.positive(path+".share_settle", m.GetShareSettle())
	} else {
		b.within(path+".switch_resistance_ohms", m.GetSwitchResistanceOhms(), 1e-3, 1e9, "ohms")
	}
	b.within(path+".leak_fa", m.GetLeakFa(), -1e6, 1e6, "fA")
	b.within(path+".leak_doubling_k", m.GetLeakDoublingK(), 0, 100, "K")
	b.within(path+".light_leak_fa_per_lux", m.GetLightLeakFaPerLux(), 0, 1e6, "fA/lux")
	b.within(path+".cell_spread", m.GetCellSpread(), 0, 0.2, "")
	b.within(path+".injection_volts", m.GetInjectionVolts(), -1, 1, "V")
}

func (b *builder) regulator(path string, r *facetdv1.Regulator) {
	b.within(path+".supply_volts", r.GetSupplyVolts(), 0.1, 60, "V")
	b.within(path+".supply_ripple_volts", r.GetSupplyRippleVolts(), 0, 10, "V")
	b.within(path+".supply_ripple_hz", r.GetSupplyRippleHz(), 0, 1e9, "Hz")
	b.within(path+".output_volts", r.GetOutputVolts(), 0.1, 60, "V")
	b.within(path+".dropout_volts", r.GetDropoutVolts(), 0, 10, "V")
	b.within(path+".rejection_db", r.GetRejectionDb(), 0, 200, "dB")
}

func (b *builder) amplifier(path string, a *facetdv1.Amplifier) {
	if len(a.GetGains()) == 0 || len(a.GetGains()) > 256 {
		b.m.Add(path+".gains", fmt.Sprintf("%d gains are given", len(a.GetGains())), "give 1 to 256 amplifier gains")
	}
	for i, g := range a.GetGains() {
		if g == 0 {
			b.m.Add(invalid.Index(path+".gains", i), "a gain of 0 shows nothing", "give a gain above or below zero")
			continue
		}
		b.within(invalid.Index(path+".gains", i), math.Abs(g), 1e-3, 1e4, "")
	}
	b.given(path+".mid_volts", a.MidVolts, -20, 20, "V")
	b.given(path+".offset_step_volts", a.OffsetStepVolts, -1, 1, "V")
	if a.GetHighVolts() == 0 && a.GetLowVolts() == 0 {
		b.m.Add(path+".high_volts", invalid.Missing, "give the range of the amplifier, low_volts and high_volts")
	} else if !(a.GetHighVolts() > a.GetLowVolts()) {
		b.m.Add(path+".high_volts", fmt.Sprintf("%g V is not above low_volts, %g V", a.GetHighVolts(), a.GetLowVolts()),
			"give the range of the amplifier")
	}
}
