// Package budget adds up what comes between the light on a pixel and its code: shot noise, the thermal noise of pixel
// and memory, leakage, charge and lines that have not settled, the converter, and the fixed pattern. It says which part
// is the largest and what would make it smaller. It is that of a pixel in the middle of a chip: at its ends shares
// average fewer. It is pure and uses closed forms only, where a die draws and steps, so
// that each can be checked against the other.
package budget

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/die"
)

// Conditions are those of a readout.
type Conditions struct {
	// Lux is the light on the pixel, above 0.
	Lux float64
	// Hold is the time from load to conversion.
	Hold time.Duration
	// Shares are the shares between load and readout.
	Shares []Share
	// Columns and Rows are the patterns that are set on a chip with pixel switches.
	Columns, Rows uint8
	// DifferenceVolts is the difference between neighbouring cells and between pixels
	// that are read one after another, at the chip's output, for what has not settled; 0
	// means one decade of light.
	DifferenceVolts float64
	// Settle is the time given to the lane; 0 means what the array's timing gives.
	Settle time.Duration
	// Bandwidth is that of the output relative to nominal (see die.Die.Bandwidth); 0
	// means 1.
	Bandwidth float64
	// Exposure is that of linear pixels with a shutter; 0 means what their class has.
	Exposure time.Duration
	// GainIndex is the gain of the amplifier, of a chip that has one.
	GainIndex int
	// Calibrated leaves out what a calibration removes: the fixed pattern, and the converter's offset and gain.
	Calibrated bool
}

// Share is one share: its patterns, and how long the switches stay closed; 0 means
// what the array's timing gives.
type Share struct {
	Columns, Rows uint8
	Closed        time.Duration
}

// Nature is how a term behaves from frame to frame.
type Nature string

// Natures of a term.
const (
	Random     Nature = "random"     // new in every frame
	Fixed      Nature = "fixed"      // differs from pixel to pixel, stays
	Systematic Nature = "systematic" // the same way for all, follows the conditions
)

// Term is one part of the budget, as a root mean square (random, fixed) or a size
// (systematic).
type Term struct {
	Name   string  `json:"name"`
	Nature Nature  `json:"nature"`
	Volts  float64 `json:"volts"`
	Codes  float64 `json:"codes"`
	// Decades of light that give as large a change of the signal; left out where it is saturated.
	Decades float64 `json:"decades,omitempty"`
	// Remedy is what would make the term smaller.
	Remedy string `json:"remedy"`
}

// Budget is all terms and their sums.
type Budget struct {
	Chip  string  `json:"chip"`
	Class string  `json:"class"`
	Lane  string  `json:"lane"`
	Lux   float64 `json:"lux"`
	// SignalVolts is the nominal signal at the chip's output, StepVolts one step of the
	// converter, VoltsPerDecade the slope at this light.
	SignalVolts    float64 `json:"signal_volts"`
	StepVolts      float64 `json:"step_volts"`
	VoltsPerDecade float64 `json:"volts_per_decade"`
	// Terms are those above zero, the largest first.
	Terms []Term `json:"terms"`
	// Unknown is what the sums do not have in them, as the array file gives no figure for it.
	Unknown []Unknown `json:"unknown"`
	// Random is the root of the sum of squares of what is new in each frame; Total
	// that of all terms.
	Random Term `json:"random"`
	Total  Term `json:"total"`
	// Largest is the name of the first term, Remedy what would make it smaller.
	Largest string `json:"largest"`
	// Saturation is between which lights nothing clips, and what does at this one.
	Saturation Saturation `json:"saturation"`
	Remedy     string     `json:"remedy"`
	// Optics is what the chip's lens shows it.
	Optics Optics `json:"optics"`
}

// New works out the budget of one chip of an array, or everything that is wrong with
// the conditions.
func New(a *chipmodel.Array, chip int, c Conditions) (Budget, invalid.Errors) {
	if a == nil || a.WiringOnly || chip < 0 || chip >= len(a.Chips) {
		var m invalid.Errors
		m.Add("chip", "there is no such chip, or it has no class", "give a chip of an array with classes and lanes")
		return Budget{}, m
	}
	k := &reckoning{Conditions: c, array: a, chip: chip, class: a.Chips[chip].Class, lane: &a.Lanes[a.Chips[chip].Lane]}
	if k.check(); len(k.m) > 0 {
		return Budget{}, k.m
	}
	if k.Exposure > 0 {
		k.class = exposedFor(k.class, k.Exposure)
	}
	return k.work(), nil
}

// exposedFor is a class whose linear pixels are exposed for a time.
func exposedFor(class *chipmodel.Class, exposure time.Duration) *chipmodel.Class {
	out := *class
	out.Spec = proto.CloneOf(class.Spec)
	out.Spec.GetLinear().Exposure = durationpb.New(exposure)
	return &out
}

type reckoning struct {
	Conditions
	array  *chipmodel.Array
	chip   int
	class  *chipmodel.Class
	lane   *chipmodel.Lane
	m      invalid.Errors
	kelvin float64
	gain   float64 // of the output amplifier
	cells  float64 // sum of the squares of the weights with which pixels enter
	out    Budget
}

func (k *reckoning) check() {
	within := func(field string, v, low, high float64, hint string) {
		if !(v >= low && v <= high) {
			k.m.Add(field, fmt.Sprintf("%g is not possible", v), hint)
		}
	}
	within("lux", k.Lux, 1e-9, 1e9, "give a light from 1e-9 to 1e9 lux")
	within("hold", k.Hold.Seconds(), 0, 1e6, "give 0 or more")
	within("settle", k.Settle.Seconds(), 0, 1e6, "give 0 or more")
	within("bandwidth", k.Bandwidth, 0, 100, "give a fraction of the nominal bandwidth")
	within("difference_volts", k.DifferenceVolts, 0, 100, "give 0 to 100 V")
	if !k.class.HasMemory() && len(k.Shares) > 0 {
		k.m.Add("shares", fmt.Sprintf("chips of class %q cannot share (%s)", k.class.Name, k.class.Parts()),
			"leave them out")
	}
	if !k.class.HasMemory() && k.Hold > 0 {
		k.m.Add("hold", fmt.Sprintf("chips of class %q hold nothing (%s)", k.class.Name, k.class.Parts()),
			"leave it out")
	}
	if !k.class.HasSwitches() && (k.Columns != 0 || k.Rows != 0) {
		k.m.Add("columns", fmt.Sprintf("chips of class %q set no patterns before sensing (%s)", k.class.Name,
			k.class.Parts()),
			"give shares to a chip with memory, nothing to others")
	}
	if s := k.class.Spec.GetLinear().GetShutter(); k.Exposure != 0 && s == nil {
		k.m.Add("exposure", fmt.Sprintf("chips of class %q have no shutter (%s)", k.class.Name, k.class.Parts()),
			"leave it out")
	} else if least, most := s.GetLeast().AsDuration(), s.GetMost().AsDuration(); k.Exposure != 0 &&
		(k.Exposure < least || k.Exposure > most) {
		k.m.Add("exposure", fmt.Sprintf("%v is not possible", k.Exposure), fmt.Sprintf("use %v to %v", least, most))
	}
	if len(k.Shares) > 4096 {
		k.m.Add("shares", fmt.Sprintf("%d shares are too many", len(k.Shares)), "give at most 4096")
	}
	for i, s := range k.Shares {
		within(fmt.Sprintf("shares[%d].closed", i), s.Closed.Seconds(), 0, 1e6, "give 0 or more")
	}
	if most := max(len(k.class.Spec.GetAmplifier().GetGains()), 1); k.GainIndex < 0 || k.GainIndex >= most {
		k.m.Add("gain_index", fmt.Sprintf("there is no gain %d", k.GainIndex), fmt.Sprintf("use 0 to %d", most-1))
	}
}

func (k *reckoning) work() Budget {
	spec := k.class.Spec
	k.kelvin = spec.GetTemperatureK()
	k.gain = 1
	converter := k.lane.Spec.GetConverter()
	response := die.NewResponse(k.class)
	signal := response.Volts(k.Lux)
	if amp := spec.GetAmplifier(); amp != nil {
		k.gain = k.class.Gain(k.GainIndex)
		signal = amp.GetMidVolts() + k.gain*(signal-amp.GetMidVolts())
		signal = min(max(signal, amp.GetLowVolts()), amp.GetHighVolts())
	}
	signal = min(max(signal, converter.GetLowVolts()), converter.GetHighVolts())
	k.out = Budget{
		Chip: k.array.Chips[k.chip].Name, Class: k.class.Name, Lane: k.lane.Name, Lux: k.Lux, SignalVolts: signal,
		StepVolts:      (converter.GetHighVolts() - converter.GetLowVolts()) / math.Exp2(float64(k.lane.Bits)),
		VoltsPerDecade: k.gain * response.Slope(k.Lux) * math.Ln10,
	}
	k.out.Saturation = k.saturation(response)
	k.out.Optics = optics(k.array.Chips[k.chip].Camera())
	if k.out.Saturation.By != "" {
		k.out.VoltsPerDecade = 0
	}
	if k.DifferenceVolts == 0 {
		k.DifferenceVolts = math.Abs(k.out.VoltsPerDecade)
	}
	k.cells = k.weights()
	if spec.GetLinear() != nil {
		k.linearPixel()
	} else {
		k.logarithmicPixel()
	}
	if k.class.HasMemory() {
		k.memory()
	}
	k.readout()
	k.out.Unknown = k.unknown()
	k.finish()
	return k.out
}

func (k *reckoning) add(name string, nature Nature, volts float64, remedy string) {
	if volts = math.Abs(volts); volts > 0 {
		k.out.Terms = append(k.out.Terms, Term{Name: name, Nature: nature, Volts: volts, Remedy: remedy})
	}
}
