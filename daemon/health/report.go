package health

import (
	"fmt"
	"math"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Conditions are what a report needs to know besides frames.
type Conditions struct {
	// Now is the bus time.
	Now int64
	// State is the daemon's, and Fault why the bus was given up.
	State facetdv1.State
	Fault string
	// Tasks run now.
	Tasks []*facetdv1.RunningTask
	// Maps are the active correction maps, MaxAge how old they may be.
	Maps   []*facetdv1.CorrectionMap
	MaxAge time.Duration
	// Device drives the array; nil where none does.
	Device *Device
}

// Report is the health at an instant, without what is known of the daemon alone. Equal reports of equal monitors are
// equal; a finding keeps its since for as long as it is in every report.
func (m *Monitor) Report(c Conditions) *facetdv1.Health {
	h := &facetdv1.Health{BusNs: c.Now, JobsLate: m.missed.late, JobsFailed: m.missed.failed, Samples: m.samples,
		SkippedSamples: m.skipped}
	if m.missed.any {
		h.MissedSinceBusNs, h.LastMissedBusNs = new(m.missed.since), new(m.missed.last)
	}
	link := m.device.see(c.Device, c.Now, m.tasks)
	h.Device = c.Device.message(link)
	h.Findings = append(m.ofFrames(c.Now), m.ofJobs(&c, m.ofDevice(&c, link))...)
	if f := m.ofMaps(&c); f != nil {
		h.Findings = append(h.Findings, f)
	}
	m.keepSince(h.Findings)
	slices.SortFunc(h.Findings, severer)
	m.describe(h, &c)
	Summarize(h)
	return h
}

// keepSince lets what was there go on since it began, whatever chips come and go.
func (m *Monitor) keepSince(findings []*facetdv1.HealthFinding) {
	there := map[string]int64{}
	for _, f := range findings {
		if since, was := m.wasThere[f.GetId()]; was && since < f.GetSinceBusNs() {
			f.SinceBusNs = since
		}
		there[f.GetId()] = f.GetSinceBusNs()
	}
	m.wasThere = there
}

// ofFrames are the findings from what frames show.
func (m *Monitor) ofFrames(now int64) []*facetdv1.HealthFinding {
	var out []*facetdv1.HealthFinding
	var pending [numConditions]bool
	for c := range numConditions {
		for i := range m.chips {
			t := &m.chips[i]
			pending[c] = pending[c] || (t.latches[c].pending() || t.owed) && c != noisy
		}
	}
	// Two swapped lines are told by both: what one says is not held against what the other said before.
	both := pending[undriven] || pending[foreignPattern]
	pending[undriven], pending[foreignPattern] = both, both
	for c := range numConditions {
		g := &m.groups[c]
		if g.settled(pending[c], now, 5*m.slowest+5e8) {
			g.given, g.judged = m.showing(c)
		}
	}
	swapped := m.exchange()
	if swapped != nil {
		out = append(out, m.tellExchange(swapped))
	}
	for c := range numConditions {
		given, judged := m.groups[c].given, m.groups[c].judged
		byLines := c == undriven || c == foreignPattern
		if swapped != nil && byLines {
			left := func(chip int) bool { return !slices.Contains(swapped.chips, chip) }
			given, judged = kept(given, left), kept(judged, left)
		}
		for _, cause := range culprits(m.array, given, judged, byLines) {
			out = append(out, m.tell(&wordings[c], c, cause))
		}
	}
	return out
}

// showing are the chips that show a condition, and those of which it is known whether they do.
func (m *Monitor) showing(c condition) (given, judged []int) {
	judged = make([]int, 0, len(m.chips))
	for i := range m.chips {
		t := &m.chips[i]
		if t.latches[c].on {
			given = append(given, i)
		}
		if t.latches[c].on || t.judged[c] && !m.worse(t, c) {
			judged = append(judged, i)
		}
	}
	return given, judged
}

// grouping is what chips that show something have in common. Chips come to show it, and no longer to, one after the
// other: meanwhile what was known goes on, so that a common cause is told once.
type grouping struct {
	given, judged []int
	waiting       bool
	since         int64
}

// settled reports whether nothing is pending, or has been for longer than a time.
func (g *grouping) settled(pending bool, now, most int64) bool {
	if !pending {
		g.waiting = false
		return true
	}
	if !g.waiting {
		g.waiting, g.since = true, now
	}
	return now-g.since > most
}

// worse reports whether a chip has something by which a condition cannot be judged.
func (m *Monitor) worse(t *tracker, c condition) bool {
	return c != undriven && c != saturated && (t.latches[undriven].on || t.latches[saturated].on)
}

func (m *Monitor) tell(w *wording, c condition, cause culprit) *facetdv1.HealthFinding {
	var worst evidence
	since := int64(math.MaxInt64)
	other := ""
	for i, chip := range cause.chips {
		t := &m.chips[chip]
		l := &t.latches[c]
		since = min(since, l.since)
		if i == 0 || (l.measured > worst.measured) != w.below {
			worst, other = l.evidence, t.other
		}
	}
	f := w.tell(m.array, cause, worst, since)
	if c == foreignPattern && other != "" {
		f.Text += ", the worst that of " + other
	}
	return f
}

// ofJobs are the findings from what became of jobs, with those of the device: one alone where the bus was given up, the
// device is away, its link is poor, or the host is behind.
func (m *Monitor) ofJobs(c *Conditions, device []*facetdv1.HealthFinding) []*facetdv1.HealthFinding {
	if c.State != facetdv1.State_STATE_FAULT && slices.ContainsFunc(device, explainsJobs) {
		m.notWaiting()
		return device
	}
	return append(device, m.ofJobsAlone(c)...)
}

// notWaiting lets frames be expected only from now on.
func (m *Monitor) notWaiting() {
	for _, t := range m.tasks {
		t.waits = false
	}
}

// ofJobsAlone are those that no device explains.
func (m *Monitor) ofJobsAlone(c *Conditions) []*facetdv1.HealthFinding {
	switch {
	case c.State == facetdv1.State_STATE_FAULT:
		return []*facetdv1.HealthFinding{{
			Id: "array/bus-fault", Kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_BUS_FAULT, State: bad,
			Subject: ofArray,
			Basis:   facetdv1.HealthBasis_HEALTH_BASIS_MEASURED, Measured: 1, Unit: "faults", SinceBusNs: c.Now,
			Fault:       "the bus was given up",
			Text:        "array: the bus was given up, every select line inactive; " + c.Fault,
			Cause:       "the bus, its device or the link to it failed",
			Consequence: "there are no frames at all",
			Action:      "read the cause, look at the device and its link, then start the daemon again",
		}}
	case c.State != facetdv1.State_STATE_RUNNING:
		m.notWaiting()
		return nil
	case m.behind.is:
		return []*facetdv1.HealthFinding{{
			Id: "host/behind", Kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_HOST_BEHIND, State: bad,
			Subject: ofHost,
			Basis:   facetdv1.HealthBasis_HEALTH_BASIS_MEASURED, Measured: m.behind.by, Unit: "seconds",
			SinceBusNs:  m.behind.since,
			Fault:       "behind the timetable",
			Text:        fmt.Sprintf("host: behind the timetable; by %.3g s", m.behind.by),
			Cause:       "other programs take the processor, the machine was asleep, or the disk holds the daemon up",
			Consequence: "jobs that are handed over too late are refused, and their frames are missing",
			Action:      "see what else runs on the host; give the daemon a processor, or lower the rates",
		}}
	}
	var out []*facetdv1.HealthFinding
	for _, r := range c.Tasks {
		if f := m.ofTask(r, c.Now); f != nil {
			out = append(out, f)
		}
	}
	return m.together(out)
}

// ofTask is what is wrong with a task: nil where nothing is.
func (m *Monitor) ofTask(r *facetdv1.RunningTask, now int64) *facetdv1.HealthFinding {
	name := r.GetTask().GetName()
	t := m.tasks[name]
	if t == nil || r.GetTask().GetPaused() {
		if t != nil {
			t.waits = false // it begins anew when it is resumed
		}
		return nil
	}
	if !t.waits {
		t.newest, t.waits = now, true
	}
	f := &facetdv1.HealthFinding{Subject: ofTask, Name: name, Chips: m.array.ChipNames(t.chips),
		Basis: facetdv1.HealthBasis_HEALTH_BASIS_MEASURED, Unit: "jobs"}
	failed, late := t.counts()
	rate := r.GetStatus().GetPlannedRateHz()
	switch {
	case t.failing:
		f.Id, f.Kind = "task/"+name+"/failed", facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_JOBS_FAILED
		f.State, f.Measured, f.Limit, f.SinceBusNs = bad, float64(failed), missesBegin, t.first(true)
		f.Fault = "jobs fail"
		f.Text = fmt.Sprintf("task %s: jobs fail; %d of the last %d, the last: %s", name, failed, len(t.outcomes),
			t.failure)
		f.Cause = "what the last failure says: the bus refused or did not complete what the jobs ask for"
		f.Consequence, f.Action = "frames of the task are missing",
			"see 'facetctl events' for every cause; look at the link to the device and at the load of the host"
	case t.lating:
		f.Id, f.Kind = "task/"+name+"/late", facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_JOBS_LATE
		f.State, f.Measured, f.Limit, f.SinceBusNs = degraded, float64(late), missesBegin, t.first(false)
		f.Fault = "jobs are late"
		f.Text = fmt.Sprintf("task %s: jobs are late; %d of the last %d ended after their deadline", name, late,
			len(t.outcomes))
		f.Cause = "on-demand captures or commands took bus time, or the bus takes longer than planned"
		f.Consequence, f.Action = "its frames come too late for those who count on the deadline",
			"lower its rate or give it a later deadline; 'facetctl plan' shows what the bus time goes to"
	case rate > 0 && now-t.newest > noFrames(rate):
		age := float64(now-t.newest) / 1e9
		f.Id, f.Kind = "task/"+name+"/no-frames", facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_NO_FRAMES
		f.State, f.Unit, f.SinceBusNs = bad, "seconds", t.newest
		f.Measured, f.Limit = age, float64(noFrames(rate))/1e9
		f.Fault = "no frames"
		f.Text = fmt.Sprintf("task %s: no frames; none for %.3g s, where one set every %.3g s is planned", name, age,
			1/rate)
		f.Cause = "the bus does not go on: its device, the link to it, or what bus time waits for"
		f.Consequence, f.Action = "what is seen of its chips is old",
			"see 'facetctl status' for what the bus waits for, and look at the device and its link"
	default:
		return nil
	}
	return f
}

// noFrames is after how long without frames a task is named, in nanoseconds: three periods and a second.
func noFrames(rate float64) int64 { return int64(3e9/rate) + 1e9 }

// together makes one finding of equal ones of all tasks, where there are several tasks.
func (m *Monitor) together(of []*facetdv1.HealthFinding) []*facetdv1.HealthFinding {
	if len(of) < 2 || len(of) < len(m.tasks) {
		return of
	}
	first := of[0]
	for _, f := range of[1:] {
		if f.GetKind() != first.GetKind() {
			return of
		}
		first.SinceBusNs = min(first.GetSinceBusNs(), f.GetSinceBusNs())
		first.Measured = max(first.GetMeasured(), f.GetMeasured())
	}
	_, slug, _ := cutLast(first.GetId())
	first.Id, first.Subject, first.Name = "array/"+slug, ofArray, ""
	first.Text = fmt.Sprintf("all %d tasks; %s", len(of), first.GetText())
	first.Chips = m.array.ChipNames(m.array.All())
	first.Basis = facetdv1.HealthBasis_HEALTH_BASIS_INFERRED
	return of[:1]
}

func cutLast(id string) (before, after string, found bool) {
	for i := len(id) - 1; i >= 0; i-- {
		if id[i] == '/' {
			return id[:i], id[i+1:], true
		}
	}
	return id, id, false
}

// ofMaps tells of correction maps that are too old, all in one.
func (m *Monitor) ofMaps(c *Conditions) *facetdv1.HealthFinding {
	var chips []int
	var oldest time.Duration
	for _, cm := range c.Maps {
		if cm.GetState() != facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_STALE {
			continue
		}
		if chip := m.array.Chip(cm.GetChip()); chip >= 0 && !slices.Contains(chips, chip) {
			chips = append(chips, chip)
		}
		oldest = max(oldest, cm.GetAge().AsDuration())
	}
	if len(chips) == 0 {
		return nil
	}
	slices.Sort(chips)
	cause := culprit{subject: ofChip, name: m.array.Chips[chips[0]].Name, chips: chips}
	if len(chips) > 1 {
		cause = culprit{subject: ofArray, chips: chips}
	}
	return &facetdv1.HealthFinding{
		Id: idOf(cause, "old-map"), Kind: facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_OLD_CORRECTION_MAP,
		State: degraded, Subject: cause.subject, Name: cause.name, Chips: m.array.ChipNames(chips),
		Basis: facetdv1.HealthBasis_HEALTH_BASIS_MEASURED, Measured: oldest.Seconds(), Limit: c.MaxAge.Seconds(),
		Unit: "seconds", SinceBusNs: c.Now,
		Fault: "correction map too old",
		Text: fmt.Sprintf("%s: correction map too old; it is %s old, more than the %s that are allowed",
			who(m.array, cause), age(oldest), age(c.MaxAge)),
		Cause:       "it was not made again in time",
		Consequence: "what drifts with time is no longer corrected",
		Action:      "update its offsets under uniform light, or make it anew: 'facetctl calibrate'",
	}
}

// age is a time in the unit that suits it.
func age(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.3g seconds", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.3g minutes", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.3g hours", d.Hours())
	}
	return fmt.Sprintf("%.3g days", d.Hours()/24)
}

// describe fills in the chips, and the worst of them.
func (m *Monitor) describe(h *facetdv1.Health, c *Conditions) {
	paused := map[string]bool{}
	for _, r := range c.Tasks {
		paused[r.GetTask().GetName()] = r.GetTask().GetPaused()
	}
	room := make([]struct { // reports are made all the time: one piece for all chips
		chip        facetdv1.ChipHealth
		newest, age int64
	}, len(m.chips))
	h.Chips = make([]*facetdv1.ChipHealth, 0, len(m.chips))
	for i := range m.chips {
		t, of := &m.chips[i], &room[i]
		ch := &of.chip
		ch.Chip, ch.Samples = m.array.Chips[i].Name, t.samples
		t.figures(ch)
		if t.frames {
			of.newest, of.age = t.newest, max(c.Now-t.newest, 0)
			ch.NewestFrameBusNs, ch.FrameAgeNs = &of.newest, &of.age
		}
		switch {
		case !m.read(i):
			ch.NotJudged = "no task reads it"
		case t.expected == nil && t.corrected:
			ch.NotJudged = "its frames are corrected, so they say nothing of it"
		case t.expected == nil:
			ch.NotJudged = "there was no frame yet"
		case c.State == facetdv1.State_STATE_SAFE_STOP:
			ch.NotJudged = "a safe stop is latched, so there are no new frames"
		case c.State == facetdv1.State_STATE_FAULT:
			ch.NotJudged = "the bus was given up"
		case c.Device != nil && !c.Device.Connected:
			ch.NotJudged = "the device that drives the array is away"
		case m.allPaused(i, paused):
			ch.NotJudged = "its tasks are paused"
		}
		h.Chips = append(h.Chips, ch)
	}
	for _, f := range h.GetFindings() {
		for _, name := range f.GetChips() {
			if i := m.array.Chip(name); i >= 0 {
				h.Chips[i].Findings = append(h.Chips[i].Findings, f.GetId())
			}
		}
	}
}

// allPaused reports whether every task that reads a chip is among those paused.
func (m *Monitor) allPaused(chip int, paused map[string]bool) bool {
	for name, t := range m.tasks {
		if !paused[name] && slices.Contains(t.chips, chip) {
			return false
		}
	}
	return true
}

// figures fills in what the last sample showed.
func (t *tracker) figures(ch *facetdv1.ChipHealth) {
	if t.samples == 0 || t.expected == nil {
		return
	}
	s, e := &t.last, t.expected
	ch.SampleBusNs, ch.Task, ch.View = s.At, s.Task, s.View
	ch.MeanCodes, ch.SpreadCodes, ch.UndrivenLimitCodes = s.Mean, s.Spread, e.UndrivenLimit()
	ch.ClippedLowFraction, ch.ClippedHighFraction = s.Low, s.High
	ch.NoiseBudgetCodes = e.NoiseLimit()
	if len(t.noise) > 0 {
		ch.NoiseCodes = new(leastOf(t.noise))
	}
	if s.PartError > 0 {
		ch.PatternFraction, ch.PatternUncertainty = new(s.Part), s.PartError
	}
	ch.HotPixels = uint32(max(s.Hot, 0))
}

// Summarize works out the states of chips and array, the worst chip and the line about all of it from the findings.
// Those that are shelved do not count for the array.
func Summarize(h *facetdv1.Health) {
	byID := map[string]*facetdv1.HealthFinding{}
	var worst *facetdv1.HealthFinding
	open := 0
	for _, f := range h.GetFindings() {
		byID[f.GetId()] = f
		if f.GetShelving() != nil {
			continue
		}
		open++
		if worst == nil || f.GetState() > worst.GetState() {
			worst = f
		}
	}
	unjudged := 0
	h.WorstChip = ""
	var worstState facetdv1.HealthState
	for _, ch := range h.GetChips() {
		ch.State = facetdv1.HealthState_HEALTH_STATE_GOOD
		for _, id := range ch.GetFindings() {
			ch.State = max(ch.State, byID[id].GetState())
		}
		if ch.State > max(worstState, facetdv1.HealthState_HEALTH_STATE_NOT_JUDGED) {
			h.WorstChip, worstState = ch.GetChip(), ch.State
		}
		if ch.State == facetdv1.HealthState_HEALTH_STATE_GOOD && ch.GetNotJudged() != "" {
			ch.State = facetdv1.HealthState_HEALTH_STATE_NOT_JUDGED
			unjudged++
		}
	}
	n := len(h.GetChips())
	switch {
	case worst != nil:
		h.State, h.Summary = worst.GetState(), worst.GetText()
		if open > 1 {
			h.Summary += fmt.Sprintf("; %d more", open-1)
		}
	case unjudged == n:
		h.State, h.Summary = facetdv1.HealthState_HEALTH_STATE_NOT_JUDGED, "no chip could be judged"
		if n > 0 {
			h.Summary += ": " + h.Chips[0].GetNotJudged()
		}
	default:
		h.State, h.Summary = facetdv1.HealthState_HEALTH_STATE_GOOD, fmt.Sprintf("%d of %d chips good", n-unjudged, n)
	}
}
