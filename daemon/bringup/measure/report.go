package measure

import (
	"fmt"
	"math"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Short names for the schema's.
const (
	pass    = facetdv1.Verdict_VERDICT_PASS
	warn    = facetdv1.Verdict_VERDICT_WARN
	fail    = facetdv1.Verdict_VERDICT_FAIL
	skipped = facetdv1.Verdict_VERDICT_SKIPPED
)

// Report gathers the result of a step.
type Report struct {
	*facetdv1.BringupResult
	a *chipmodel.Array
	// left are what the step did not look at, by the reason, in the order in which they came.
	reasons []string
	left    map[string][]string
}

// NewReport begins the report of a step at a bus time.
func NewReport(a *chipmodel.Array, step facetdv1.BringupStep, start bus.Time) *Report {
	return &Report{BringupResult: &facetdv1.BringupResult{Step: step, StartBusNs: start.NS()}, a: a,
		left: map[string][]string{}}
}

// LeftOut notes what the step did not look at though it belongs to it, such as a chip or a lane, and why.
func (r *Report) LeftOut(what, why string) {
	if r.left[why] == nil {
		r.reasons = append(r.reasons, why)
	}
	r.left[why] = append(r.left[why], what)
}

// nameLeftOut puts what was not looked at into the result and its conclusion.
func (r *Report) nameLeftOut() {
	for _, why := range r.reasons {
		r.NotLookedAt = append(r.NotLookedAt, fmt.Sprintf("%s (%s)", strings.Join(r.left[why], ", "), why))
	}
	if len(r.NotLookedAt) > 0 {
		r.Summary += "; not looked at: " + strings.Join(r.NotLookedAt, "; ")
	}
}

// Of is how many of all chips something is said of: "all 6 chips", or "4 of 6 chips" where some were left out.
func (r *Report) Of(looked, all int) string {
	if looked == all {
		return fmt.Sprintf("all %d chips", all)
	}
	return fmt.Sprintf("%d of %d chips", looked, all)
}

// limits are what a number passes within, and what is said of one outside. NaN stands for
// no limit.
type limits struct {
	low, high float64
	outside   facetdv1.Verdict
	note      string
}

func atMost(high float64, outside facetdv1.Verdict, note string) limits {
	return limits{math.NaN(), high, outside, note}
}

func atLeast(low float64, outside facetdv1.Verdict, note string) limits {
	return limits{low, math.NaN(), outside, note}
}

func within(low, high float64, outside facetdv1.Verdict, note string) limits {
	return limits{low, high, outside, note}
}

// judge notes a number with its verdict.
func (r *Report) judge(subject, quantity string, value float64, unit string, l limits) facetdv1.Verdict {
	m := &facetdv1.BringupMeasurement{Subject: subject, Quantity: quantity, Value: value, Unit: unit, Verdict: pass}
	if !math.IsNaN(l.low) {
		m.Low = &l.low
	}
	if !math.IsNaN(l.high) {
		m.High = &l.high
	}
	if value < l.low || value > l.high || math.IsNaN(value) {
		m.Verdict, m.Note = l.outside, l.note
	}
	if math.IsNaN(value) || math.IsInf(value, 0) {
		m.Value = 0
	}
	r.Measurements = append(r.Measurements, m)
	return m.Verdict
}

// Tell notes a number without limits.
func (r *Report) Tell(subject, quantity string, value float64, unit, note string) {
	r.judge(subject, quantity, value, unit, within(math.NaN(), math.NaN(), pass, ""))
	r.Measurements[len(r.Measurements)-1].Note = note
}

// Chart adds a chart.
func (r *Report) Chart(c *Chart) {
	r.Pictures = append(r.Pictures, &facetdv1.BringupPicture{Title: c.Title, MediaType: "image/svg+xml", Data: c.SVG()})
}

// Sheet adds frames as one picture.
func (r *Report) Sheet(title string, tiles []Tile) {
	if data, err := Sheet(tiles); err == nil && len(tiles) > 0 {
		r.Pictures = append(r.Pictures, &facetdv1.BringupPicture{Title: title, MediaType: "image/png", Data: data})
	}
}

// Act tells the operator what to do.
func (r *Report) Act(format string, args ...any) {
	r.Actions = append(r.Actions, fmt.Sprintf(format, args...))
}

func (r *Report) propose(path, value, current, reason string) {
	r.Proposals = append(r.Proposals, &facetdv1.BringupProposal{Path: path, Value: value, Current: current,
		Reason: reason})
}

// Conclude gives the result its verdict and a sentence, which names what was not looked at; good is the one of a step
// that passes.
func (r *Report) Conclude(good string) {
	defer r.nameLeftOut()
	if len(r.Measurements) == 0 {
		r.Verdict, r.Summary = skipped, "nothing was measured"
		return
	}
	count := map[facetdv1.Verdict]int{}
	r.Verdict = pass
	var worst *facetdv1.BringupMeasurement
	for _, m := range r.Measurements {
		count[m.Verdict]++
		if Worse(m.Verdict, r.Verdict) {
			r.Verdict, worst = m.Verdict, m
		}
	}
	r.Summary = good
	if worst == nil {
		return
	}
	number := strings.TrimSpace(fmt.Sprintf("%.4g %s", worst.GetValue(), worst.GetUnit()))
	if worst.GetUnit() == "ns" {
		number = time.Duration(worst.GetValue()).String()
	}
	r.Summary = strings.TrimPrefix(fmt.Sprintf("%s: %s %s: %s", worst.GetSubject(), worst.GetQuantity(), number,
		worst.GetNote()), ": ")
	if n := count[r.Verdict] - 1; n > 0 {
		r.Summary += fmt.Sprintf(" (and %d more)", n)
	}
}

// Worse orders verdicts; skipped and unset are none.
func Worse(x, y facetdv1.Verdict) bool {
	rank := map[facetdv1.Verdict]int{pass: 1, warn: 2, fail: 3}
	return rank[x] > rank[y]
}

func (r *Report) name(chip int) string { return r.a.Chips[chip].Name }

func (r *Report) lane(chip int) *chipmodel.Lane { return &r.a.Lanes[r.a.Chips[chip].Lane] }
