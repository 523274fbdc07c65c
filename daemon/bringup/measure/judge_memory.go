package measure

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"facetd.example/chipmodel"
	"facetd.example/daemon/fit"
)

// Limits in nanoseconds. Pixels lag a little differently after loads that follow each
// other sooner or later, which is why the second one is wider.
const (
	skewLimit     = 20e3
	togetherLimit = 100e3
	// minFlicker is the least amplitude of a lamp, in codes, by which chips are compared.
	minFlicker = 3
)

// JudgeDroop judges how a chip's memory holds its loads.
func JudgeDroop(r *Report, chip int, d Droop) {
	class := r.a.Chips[chip].Class
	r.Tell(r.name(chip), "droop", d.VoltsPerSecond, "V/s", fmt.Sprintf("± %.2g V/s", d.Sigma))
	r.Tell(r.name(chip), "hold to half a step", d.HalfStep.Seconds()*1e3, "ms", "")
	r.Tell(r.name(chip), "hold to one step", d.OneStep.Seconds()*1e3, "ms", "")
	described, most := describedLeak(class), math.NaN()
	if described != 0 {
		most = 1.5*math.Abs(described) + 3*d.Sigma*class.Spec.GetMemory().GetCellCapacitanceFf()
	}
	if r.judge(r.name(chip), "leakage of a cell", math.Abs(d.LeakFA), "fA",
		atMost(most, fail, fmt.Sprintf("described are %.3g fA at the class's temperature", described))) == fail {
		r.Act("Chip %s: is it dark and at room temperature? A single leaky chip may be damaged or dirty; read it "+
			"first after a load, or load it by itself. "+
			"Give its tasks a max_hold of at most %v.", r.name(chip), roundUp(d.OneStep))
	}
}

// JudgeUnreadable is for a chip whose every pixel is at a rail.
func JudgeUnreadable(r *Report, chip int) {
	r.judge(r.name(chip), "pixels in range", 0, "", atLeast(1, warn, "every pixel is at a rail: droop cannot be seen"))
}

// describedLeak is the leakage of a class at its temperature: it doubles every so many
// kelvin from 300 K.
func describedLeak(class *chipmodel.Class) float64 {
	spec := class.Spec.GetMemory()
	leak := spec.GetLeakFa()
	if k := spec.GetLeakDoublingK(); k > 0 {
		leak *= math.Exp2((class.Spec.GetTemperatureK() - 300) / k)
	}
	return leak
}

// ProposeLeak proposes the median leakage of a class: so that one leaky chip does not spoil
// it.
func ProposeLeak(r *Report, found map[int]Droop) {
	for i, class := range r.a.Classes {
		var leaks, sigmas []float64
		for c, d := range found {
			if r.a.Chips[c].Class == class {
				leaks = append(leaks, d.LeakFA)
				sigmas = append(sigmas, d.Sigma*class.Spec.GetMemory().GetCellCapacitanceFf())
			}
		}
		if len(leaks) == 0 {
			continue
		}
		leak, described := fit.Median(leaks), describedLeak(class)
		if math.Abs(leak-described) <= 0.05*math.Abs(described)+3*fit.Median(sigmas) {
			continue
		}
		at300 := leak
		if described != 0 {
			at300 = leak * class.Spec.GetMemory().GetLeakFa() / described
		}
		r.propose(fmt.Sprintf("classes[%d].memory.leak_fa", i), strconv.FormatFloat(at300, 'g', 3, 64),
			strconv.FormatFloat(class.Spec.GetMemory().GetLeakFa(), 'g', -1, 64),
			"median of the class, brought to 300 K by leak_doubling_k as described")
	}
}

// ProposeDoubling works out in how many kelvin leakage doubles, from loads held cold and kelvin
// warmer, and proposes it where it is not as described.
func ProposeDoubling(r *Report, cold, warm map[int]Droop, kelvin float64) {
	for i, class := range r.a.Classes {
		var doubling, uncertain []float64
		for c := range r.a.Chips {
			hot, is := warm[c]
			if !is || r.a.Chips[c].Class != class {
				continue
			}
			if k, sigma := DoublingKelvin(cold[c], hot, kelvin); k > 0 {
				doubling, uncertain = append(doubling, k), append(uncertain, sigma)
			}
		}
		if len(doubling) == 0 {
			continue
		}
		k := fit.Median(doubling)
		// Of the median of n: 1.25 times that of a mean, when normal.
		sigma := 1.25 * fit.Median(uncertain) / math.Sqrt(float64(len(doubling)))
		r.Tell(class.Name, "leakage doubles every", k, "K", fmt.Sprintf("± %.2g K", sigma))
		if described := class.Spec.GetMemory().GetLeakDoublingK(); math.Abs(k-described) > 0.05*k+4*sigma {
			r.propose(fmt.Sprintf("classes[%d].memory.leak_doubling_k", i), strconv.FormatFloat(k, 'g', 3, 64),
				strconv.FormatFloat(described, 'g', -1, 64), "from loads held cold and warm")
		}
	}
}

// JudgeCondition is for a lamp whose phases loads did not meet.
func JudgeCondition(r *Report, few *fit.ConditionError) {
	r.judge("", "condition of the lamp's phases that loads met", few.Condition, "",
		atMost(fit.MaxCondition, warn, "too few phases to tell delays"))
	r.Act("Repeat the step: something else on the bus kept time with the lamp.")
}

// JudgeFlicker reports whether a lamp flickers enough to compare chips by.
func JudgeFlicker(r *Report, at []Delay) bool {
	seen := Amplitude(at)
	if seen >= minFlicker {
		return true
	}
	r.judge("", "flicker seen", seen, "codes", atLeast(minFlicker, warn, "too little to compare chips by"))
	r.Act("Take a lamp that flickers more.")
	return false
}

// JudgeDelay judges when a chip samples: against its class, and loaded together against
// loaded alone, under a lamp of hz.
func JudgeDelay(r *Report, together, alone Delay, hz float64) {
	name := r.name(together.Chip)
	most := max(skewLimit, 4*float64(together.Sigma))
	if r.judge(name, "samples later than its class", float64(together.Delay), "ns",
		within(-most, most, fail, fmt.Sprintf("it does not load with the others (± %v)", together.Sigma))) == fail {
		r.Act("Chip %s: check its strobe line for a slow edge; frames across chips are not of one instant.", name)
	}
	most = max(togetherLimit, 4*float64(together.Sigma+alone.Sigma))
	r.judge(name, "samples later with the others than alone", float64(Later(together.Phase, alone.Phase, hz)), "ns",
		within(-most, most, warn, "loading together delays it"))
}

// Amplitude is the mean amplitude of a lamp, in codes.
func Amplitude(d []Delay) float64 {
	sum := 0.0
	for _, one := range d {
		sum += one.Amplitude / float64(len(d))
	}
	return sum
}

// Known reports whether a droop is known well enough: within 2 percent, or watched for so long that
// more would add little.
func (d *Droop) Known(gap time.Duration) bool {
	return d.Codes > 3 && d.Sigma < 0.01*math.Abs(d.VoltsPerSecond) || gap > 600*time.Millisecond
}
