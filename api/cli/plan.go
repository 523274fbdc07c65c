package cli

import (
	"fmt"
	"io"
	"math/big"
	"strconv"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// WritePlan prints a plan for people: predictions and utilization by phase, or
// the refusal; with segments, every segment of the timetable too.
func WritePlan(w io.Writer, p *facetdv1.Plan, segments bool) error {
	if p.GetRefusal() != nil {
		fmt.Fprintf(w, "The tasks do not fit on the bus of %s.\n", p.GetArray())
		for _, line := range RefusalLines(p.GetRefusal()) {
			fmt.Fprintln(w, line)
		}
		return nil
	}
	t := p.GetTimetable()
	fmt.Fprintf(w, "The tasks fit on the bus of %s: it is busy %s of the time.\n", p.GetArray(),
		Percent(p.GetUtilization()))
	fmt.Fprintf(w, "found by     %s\n", p.GetMethod())
	fmt.Fprintf(w, "hyperperiod  %s, %s; initialization %s\n", NS(t.GetHyperperiodNs()),
		Count(len(t.GetSegments()), "segment"), NS(t.GetInitializationNs()))
	if line := PhaseLine(p.GetPhases()); line != "" {
		fmt.Fprintf(w, "phases       %s\n", line)
	}
	if p.GetLowerBoundNs() > 0 {
		fmt.Fprintf(w, "efficiency   %s (what any correct program needs at least, over what is planned)\n",
			Percent(p.GetEfficiency()))
	}
	for _, q := range p.GetPredictions() {
		if q.GetWorstHoldNs() > 0 && q.GetDroopLux() > 0 {
			fmt.Fprintf(w, "droop        at the output of chips, with %g lux on the pixels\n", q.GetDroopLux())
			break
		}
	}
	fmt.Fprintln(w)
	if err := predictions(w, p); err != nil {
		return err
	}
	for _, q := range p.GetPredictions() {
		if with := q.GetMergedWith(); len(with) > 0 {
			fmt.Fprintf(w, "shared: %s is read from the same load as %s\n", q.GetTask(), strings.Join(with, ", "))
		}
	}
	for _, q := range p.GetPredictions() {
		if q.GetFastestTurnRadPerS() > 0 {
			fmt.Fprintln(w, MotionLine(q))
		}
	}
	for i, a := range p.GetAdvice() {
		if i == 0 {
			fmt.Fprintln(w)
		}
		fmt.Fprintf(w, "advice: %s\n", a.GetMessage())
	}
	if !segments {
		return nil
	}
	fmt.Fprintln(w)
	return segmentTable(w, t)
}

// MotionLine says how far apart the frames of a task are that are compared for motion, and what turn they follow.
func MotionLine(q *facetdv1.Prediction) string {
	apart := NS(q.GetLeastLightIntervalNs())
	if most := NS(q.GetGreatestLightIntervalNs()); most != apart {
		apart += " to " + most
	}
	return fmt.Sprintf("motion: %s compares frames %s apart, and follows turns of up to %s rad/s", q.GetTask(), apart,
		Significant(q.GetFastestTurnRadPerS()))
}

func predictions(w io.Writer, p *facetdv1.Plan) error {
	t := NewTable("TASK", ">ASKED Hz", ">PLANNED Hz", ">JOB", ">BUS", ">RESPONSE FROM", ">TO", ">SLACK", ">JITTER",
		">SKEW", ">HOLD", ">DROOP", ">FRAMES", ">SEGMENTS")
	for _, q := range p.GetPredictions() {
		hold, droop := "-", "-"
		if q.GetWorstHoldNs() > 0 {
			hold, droop = NS(q.GetWorstHoldNs()), Volts(q.GetWorstDroopVolts())
		}
		t.Row(q.GetTask(), Significant(q.GetRequestedRateHz()), Significant(q.GetPlannedRateHz()),
			NS(q.GetJobNs()), Percent(q.GetBusUtilization()), NS(q.GetBestResponseNs()), NS(q.GetWorstResponseNs()),
			NS(q.GetLeastSlackNs()), NS(q.GetJitterNs()), NS(q.GetSkewNs()), hold, droop,
			fmt.Sprint(q.GetFrames()), fmt.Sprint(q.GetSegments()))
	}
	return t.Write(w)
}

func segmentTable(w io.Writer, t *facetdv1.Timetable) error {
	table := NewTable(">START", ">END", "TASK", ">JOB", ">SEGMENT", ">RELEASE", ">DEADLINE", "READS")
	for _, s := range t.GetSegments() {
		table.Row(NS(s.GetStartNs()), NS(s.GetEndNs()), strings.Join(s.GetTasks(), ","), fmt.Sprint(s.GetJob()),
			fmt.Sprint(s.GetIndex()),
			NS(s.GetReleaseNs()), NS(s.GetDeadlineNs()), Short(strings.Join(s.GetReads(), " "), 60))
	}
	return table.Write(w)
}

// PhaseLine writes the utilization of the bus by phase on one line; empty when there are
// none.
func PhaseLine(phases []*facetdv1.PhaseUtilization) string {
	var parts []string
	for _, p := range phases {
		parts = append(parts, Label(p.GetPhase(), "PHASE_")+" "+Percent(p.GetFraction()))
	}
	return strings.Join(parts, ", ")
}

// RefusalLines writes a refusal for people, a fact a line.
func RefusalLines(r *facetdv1.Refusal) []string {
	lines := []string{Label(r.GetReason(), "REFUSAL_REASON_") + ": " + r.GetMessage()}
	if r.GetTask() != "" {
		lines = append(lines, "task: "+r.GetTask())
	}
	if r.GetNeededNs() > 0 || r.GetAvailableNs() > 0 {
		lines = append(lines, "needs "+NS(r.GetNeededNs())+", there is "+NS(r.GetAvailableNs()))
	}
	if r.GetUtilization() > 0 {
		lines = append(lines, "asked of the bus: "+Percent(r.GetUtilization()))
	}
	lines = append(lines, stretchLines(r)...)
	for _, f := range r.GetFittingRates() {
		lines = append(lines, RateLine(f))
	}
	for _, s := range r.GetSuggestions() {
		lines = append(lines, "try: "+s.GetMessage())
	}
	return lines
}

// RateLine says what is known of the rate of one task beside the others as asked.
func RateLine(f *facetdv1.FittingRate) string {
	if f.GetDeadlineNs() > 0 {
		return "a deadline of " + f.GetTask() + " with which all fit: " +
			time.Duration(f.GetDeadlineNs()).String() + " (a shorter one may)"
	}
	searched := "not every rate up to " + Number(f.GetSearchedUpToHz()) + " Hz was ruled out"
	if f.GetSearchedTableNs() > 0 {
		searched = "searched up to " + Number(f.GetSearchedUpToHz()) + " Hz in timetables of up to " +
			NS(f.GetSearchedTableNs())
	}
	switch {
	case f.GetWitness() != "":
		return "no rate of " + f.GetTask() + " fits beside the others as asked, " + f.GetInTheWay() +
			" is in the way: " + f.GetWitness()
	case f.GetRateHz() == 0:
		return "no rate of " + f.GetTask() + " was found to fit beside the others; " + searched
	case f.GetProvedHighest():
		return "highest rate of " + f.GetTask() + " beside the others: " + Number(f.GetRateHz()) + " Hz (proved; " +
			searched + ")"
	}
	return "a rate of " + f.GetTask() + " that fits beside the others: " + Number(f.GetRateHz()) +
		" Hz (higher ones may; " + searched + ")"
}

// Number writes a number with all its digits, as it can be typed in.
func Number(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// stretchLines say what stretch of all periods fits, and the rates to type for it.
func stretchLines(r *facetdv1.Refusal) []string {
	if r.GetLeastStretch() == nil {
		return nil
	}
	line := "fits when all periods and deadlines are stretched " + StretchTimes(r.GetLeastStretch())
	if r.GetLeastStretchExact() {
		line += ", and by nothing less"
	}
	lines := []string{line}
	var typed []string
	for _, t := range r.GetStretched() {
		one := t.GetTask() + " " + Number(t.GetRateHz()) + " Hz"
		if t.GetDeadlineNs() > 0 {
			one += " with a deadline of " + time.Duration(t.GetDeadlineNs()).String()
		}
		typed = append(typed, one)
	}
	if len(typed) > 0 {
		lines = append(lines, "as typed, these rates fit: "+strings.Join(typed, ", "))
	}
	return lines
}

// StretchTimes writes a factor as a decimal number, rounded up to three places: "1.125 times" of 9/8.
func StretchTimes(factor *facetdv1.Fraction) string {
	f := big.NewRat(factor.GetNumerator(), max(factor.GetDenominator(), 1)) // a broken answer is no panic
	thousand := new(big.Rat).Mul(f, big.NewRat(1000, 1))
	up := new(big.Int).Add(thousand.Num(), new(big.Int).Sub(thousand.Denom(), big.NewInt(1)))
	up.Quo(up, thousand.Denom())
	return Number(float64(up.Int64())/1000) + " times"
}

// WriteWords prints select words with what they reach.
func WriteWords(w io.Writer, words []*facetdv1.SelectWord) error {
	t := NewTable(">WORD", "LINES", ">REACHES", "CHIPS")
	for i, word := range words {
		t.Row(fmt.Sprint(i+1), strings.Join(word.GetLines(), ","), fmt.Sprint(len(word.GetReaches())),
			strings.Join(word.GetReaches(), " "))
	}
	return t.Write(w)
}

// Words is a cover as JSON. Unlike the schema's JSON mapping its bound is a number.
type Words struct {
	Words      []Word `json:"words"`
	Optimal    bool   `json:"optimal"`
	LowerBound int64  `json:"lower_bound"`
}

// Word is a select word as JSON.
type Word struct {
	Lines   []string `json:"lines"`
	Reaches []string `json:"reaches"`
}

// NewWord returns the JSON form of a select word, with lists that are never null.
func NewWord(w *facetdv1.SelectWord) Word {
	return Word{Lines: append([]string{}, w.GetLines()...), Reaches: append([]string{}, w.GetReaches()...)}
}

// NewWords returns the JSON form of a cover.
func NewWords(words []*facetdv1.SelectWord, optimal bool, lowerBound int64) Words {
	c := Words{Words: []Word{}, Optimal: optimal, LowerBound: lowerBound}
	for _, w := range words {
		c.Words = append(c.Words, NewWord(w))
	}
	return c
}

// Count writes a number of things: "1 segment", "3 segments".
func Count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// WriteCover prints a cover: its words, and what is known about fewer.
func WriteCover(w io.Writer, words []*facetdv1.SelectWord, optimal bool, lowerBound int64) error {
	if err := WriteWords(w, words); err != nil {
		return err
	}
	verdict := "no fewer will do"
	if !optimal {
		verdict = fmt.Sprintf("at least %d are needed; whether fewer than this would do is not known", lowerBound)
	}
	_, err := fmt.Fprintf(w, "%s; %s\n", Count(len(words), "word"), verdict)
	return err
}
