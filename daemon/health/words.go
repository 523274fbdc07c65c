package health

import (
	"cmp"
	"fmt"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// wording is how a kind of finding is told.
type wording struct {
	kind  facetdv1.HealthFindingKind
	state facetdv1.HealthState
	slug  string // in ids
	unit  string
	below bool // measured lies below the limit
	// inferred says that it is an explanation, wherever a chip is named alone too.
	inferred bool
	// fault is what is wrong, in a few words, with what an operator may look for.
	fault words
	// shown is the evidence of a chip, or of several by the worst of them, with figures.
	shown       func(e evidence) string
	consequence string
	cause       words
	action      words
}

const (
	degraded = facetdv1.HealthState_HEALTH_STATE_DEGRADED
	bad      = facetdv1.HealthState_HEALTH_STATE_BAD
)

type words map[facetdv1.HealthSubject]string

// stopAndProbe is what to do where chips answer to words that are not theirs.
const stopAndProbe = "stop: two chips may drive one output lane; run 'facetctl probe', then check the select lines " +
	"it names"

var wordings = [numConditions]wording{
	undriven: {
		kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_UNDRIVEN, state: bad, slug: "undriven", unit: "codes",
		below: true, inferred: true,
		fault: words{ofChip: "no signal"},
		shown: func(e evidence) string {
			return fmt.Sprintf("pixels differ by %.2g codes, as on an output lane that no chip drives (up to %.2g)",
				e.measured, e.limit)
		},
		consequence: "their frames hold noise and nothing of the light",
		cause: words{
			ofChip:  "the chip is dead, has no supply, or its select inputs or its output are not connected",
			ofLane:  "the output lane is open between its chips and the converter",
			ofLine:  "the select line is stuck inactive or broken",
			ofArray: "the chips have no supply, or the connector of the select lines or lanes is off",
		},
		action: words{
			ofChip: "run 'facetctl probe' when the array may be used: it tells a dead chip from an open input; then " +
				"check the chip's supply and bonding",
			ofLane:  "check the lane's connector and its converter; 'facetctl probe' confirms it",
			ofLine:  "check the select line's driver and connector; 'facetctl probe' says which fault it is",
			ofArray: "check supply and connectors of the array, then run 'facetctl probe'",
		},
	},
	saturated: {
		kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_SATURATED, state: bad, slug: "saturated", unit: "fraction",
		fault:       words{ofChip: "at full scale"},
		shown:       func(e evidence) string { return percent(e.measured) + " of the pixels are at the highest code" },
		consequence: "their frames hold nothing of the light",
		cause: words{
			ofChip: "there is far too much light for its exposure and gain, or its output is shorted to the supply",
			ofLane: "the lane's converter reads full scale: its input is shorted to the supply, or its reference " +
				"is low",
			ofArray: "there is far too much light, or the converters share a reference that is low",
		},
		action: words{
			ofChip:  "cover the chip: if the codes stay, check its output; otherwise lower exposure or gain",
			ofLane:  "check the lane's converter, its reference, and the lane for shorts to the supply",
			ofArray: "lower the light, exposure or gain; if that changes nothing check the converters' reference",
		},
	},
	clipped: {
		kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_CLIPPED, state: degraded, slug: "clipped",
		unit:        "fraction",
		fault:       words{ofChip: "clipped, in part"},
		shown:       func(e evidence) string { return percent(e.measured) + " of the pixels are at the highest code" },
		consequence: "the bright parts of their pictures are lost",
		cause: words{
			ofChip:  "there is too much light for its exposure and gain",
			ofLane:  "there is too much light, or the lane's converter has shifted",
			ofArray: "there is too much light for the exposure and gain of the tasks",
		},
		action: words{
			ofChip:  "lower exposure or gain of its task, or let the daemon set them",
			ofLane:  "lower exposure or gain of its tasks; if that does not help check the lane's converter",
			ofArray: "lower exposure or gain of the tasks, or let the daemon set them",
		},
	},
	hot: {
		kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_HOT_PIXELS, state: degraded, slug: "hot-pixels",
		unit:  "pixels",
		fault: words{ofChip: "hot pixels"},
		shown: func(e evidence) string {
			return fmt.Sprintf("at least %.0f pixels stand out at the same code whatever the picture does (fewer than "+
				"%.0f are not told, and those at the picture's edges not looked at)", e.measured, e.limit)
		},
		consequence: "what is worked out from these pixels is wrong",
		cause: words{
			ofChip:  "pixels of the chip are damaged, or a small light moves with the chip",
			ofLane:  "pixels of the chips are damaged",
			ofArray: "pixels of the chips are damaged",
		},
		action: words{
			ofChip:  "make a correction map with 'facetctl calibrate': it fills defective pixels from their neighbours",
			ofLane:  "make correction maps with 'facetctl calibrate': they fill defective pixels from their neighbours",
			ofArray: "make correction maps with 'facetctl calibrate': they fill defective pixels from their neighbours",
		},
	},
	noisy: {
		kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_NOISY, state: degraded, slug: "noisy", unit: "codes",
		inferred: true,
		fault:    words{ofChip: "noisy"},
		shown: func(e evidence) string {
			return fmt.Sprintf("even parts of the picture change by %.2g codes from frame to frame; up to %.2g may "+
				"be the chip's own noise", e.measured, e.limit)
		},
		consequence: "small differences of light are lost in noise",
		cause: words{
			ofChip:  "a supply or bias of the chip is unsteady, or fine detail moves through all of its picture",
			ofLane:  "something couples into the lane, or its converter is noisy",
			ofArray: "the supply or the converters' reference is unsteady, or the light flickers",
		},
		action: words{
			ofChip:  "let the chip see something that rests; if the noise stays measure its supply and biases",
			ofLane:  "let the chips see something that rests; if the noise stays look at the lane with an oscilloscope",
			ofArray: "let the chips see something that rests, under steady light; if it stays measure the supply",
		},
	},
	drifted: {
		kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_DRIFTED, state: degraded, slug: "drifted",
		unit: "fraction", below: true, inferred: true,
		fault: words{
			ofChip: "its correction map no longer fits", ofLane: "it settles more slowly, or its converter has changed",
			ofArray: "their correction maps no longer fit",
		},
		shown: func(e evidence) string {
			return fmt.Sprintf("frames show %s of the fixed pattern in the correction map (at least %s expected)",
				percent(e.measured), percent(e.limit))
		},
		consequence: "corrected frames are worse than raw ones",
		cause: words{
			ofChip: "the correction map is no longer that of the chip: it was changed, or its bias or temperature was",
			ofLane: "the lane settles more slowly than when the correction maps were made (a longer or worse " +
				"connection, a slower amplifier), or its converter has changed",
			ofArray: "biases, supply or temperature have changed since the correction maps were made",
		},
		action: words{
			ofChip: "make a new correction map with 'facetctl calibrate'",
			ofLane: "measure the lane with 'facetctl bringup --steps settling' when the array may be used; where " +
				"that passes make new correction maps with 'facetctl calibrate'",
			ofArray: "make new correction maps with 'facetctl calibrate'",
		},
	},
	foreignPattern: {
		kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_FOREIGN_PATTERN, state: bad, slug: "foreign-pattern",
		unit: "fraction", inferred: true,
		fault: words{ofChip: "another chip answers", ofLane: "other chips answer", ofArray: "other chips answer"},
		shown: func(e evidence) string {
			return fmt.Sprintf("frames show %s of the fixed pattern of another chip (up to %s is chance)",
				percent(e.measured), percent(e.limit))
		},
		consequence: "their frames are those of other chips, in part or wholly: directions are wrong",
		cause: words{
			ofChip:  "another chip answers to its select word: select lines are swapped, shorted or stuck active",
			ofLane:  "other chips answer to their select words: select lines are swapped, shorted or stuck active",
			ofArray: "other chips answer to their select words: select lines are swapped, shorted or stuck active",
		},
		action: words{
			ofChip:  stopAndProbe,
			ofLane:  stopAndProbe,
			ofArray: stopAndProbe,
		},
	},
}

func percent(fraction float64) string { return fmt.Sprintf("%.3g %%", 100*fraction) }

// who names what a finding is about, as a sentence begins.
func who(a *chipmodel.Array, c culprit) string {
	switch c.subject {
	case ofChip:
		return "chip " + c.name
	case ofLane:
		return "output lane " + c.name
	case ofLine:
		return "select line " + c.name
	}
	return fmt.Sprintf("%d chips (%s)", len(c.chips), listed(a, c.chips))
}

// concerned names the chips of what several share; nothing where who has named them.
func concerned(a *chipmodel.Array, c culprit) string {
	switch c.subject {
	case ofLane:
		return fmt.Sprintf(" (all %d chips on it: %s)", len(c.chips), listed(a, c.chips))
	case ofLine:
		return fmt.Sprintf(" (all %d chips wired to it: %s)", len(c.chips), listed(a, c.chips))
	}
	return ""
}

// of are the words for a subject: those for a chip where it has none of its own.
func (w words) of(s facetdv1.HealthSubject) string { return cmp.Or(w[s], w[ofChip]) }

// idOf names a finding.
func idOf(c culprit, slug string) string {
	switch c.subject {
	case ofChip:
		return "chip/" + c.name + "/" + slug
	case ofLane:
		return "lane/" + c.name + "/" + slug
	case ofLine:
		return "line/" + c.name + "/" + slug
	case ofTask:
		return "task/" + c.name + "/" + slug
	case ofHost:
		return "host/" + slug
	}
	return "array/" + slug
}

// tell makes a finding of a cause.
func (w *wording) tell(a *chipmodel.Array, c culprit, e evidence, since int64) *facetdv1.HealthFinding {
	f := &facetdv1.HealthFinding{
		Id: idOf(c, w.slug), Kind: w.kind, State: w.state, Subject: c.subject, Name: c.name,
		Chips: a.ChipNames(c.chips), Basis: facetdv1.HealthBasis_HEALTH_BASIS_MEASURED,
		Measured: e.measured, Limit: e.limit, Unit: w.unit, Below: w.below, SinceBusNs: since,
		Fault: w.fault.of(c.subject), Cause: w.cause.of(c.subject), Consequence: w.consequence,
		Action: w.action.of(c.subject),
	}
	f.Text = who(a, c) + ": " + f.GetFault() + concerned(a, c) + "; " + w.shown(e)
	if len(c.also) > 0 {
		f.Cause += "; or the same of select line " + strings.Join(c.also, ", ")
	}
	if w.inferred || c.subject != ofChip {
		f.Basis = facetdv1.HealthBasis_HEALTH_BASIS_INFERRED
	}
	if e.off >= 0 {
		f.Uncertainty = &e.off
	}
	return f
}
