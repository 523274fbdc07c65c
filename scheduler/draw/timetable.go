// Package draw draws plans and explorations as SVG, in colours for light and dark pages.
package draw

import (
	"fmt"
	"io"
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/svg"
	"facetd.example/api/tokens"
	"facetd.example/bus"
	"facetd.example/scheduler"
)

// Measures of the drawing in pixels.
const (
	svgLeft    = 132.0 // names
	svgWide    = 1000.0
	svgRight   = 24.0
	svgTop     = 44.0
	svgBar     = 26.0 // height of a segment
	svgHoldGap = 4.0
	svgHold    = 2.5 // height of one held chip
	svgRowGap  = 18.0
	svgFoot    = 64.0
	svgMerge   = 0.2 // pieces closer than this are drawn as one
)

// maxHoldLines is how many held chips a task's row has room for; with more, several are drawn on one line.
const maxHoldLines = 24

type timetable struct {
	*svg.Drawing
	p     *scheduler.Plan
	scale float64 // pixels per nanosecond
	tiny  bool    // whether a piece is too short to be drawn to scale
}

func (s *timetable) x(at time.Duration) float64 { return svgLeft + float64(at)*s.scale }

// Timetable draws one hyperperiod of a plan: a row for each task with the window of every job, its segments split by
// phase, a mark at each deadline, and under them a thin line for every chip from its load to its last sample. Colours
// suit light and dark pages.
func Timetable(w io.Writer, p *scheduler.Plan) error {
	s := &timetable{p: p, scale: svgWide / float64(p.Hyperperiod)}
	y := svgTop
	tops := make([]float64, len(p.Tasks))
	for i := range p.Tasks {
		tops[i] = y
		y += svgBar + s.holdHeight(i) + svgRowGap
	}
	s.head(y)
	s.axis(y - svgRowGap/2)
	for i := range p.Tasks {
		s.task(i, tops[i])
	}
	s.legend(y + svgFoot - 22)
	_, err := s.WriteTo(w)
	return err
}

const timetableLight = `
	.name{font-weight:600}
	.win{fill-opacity:.13}
	.grid{stroke-opacity:.28}
	.due{stroke-width:1.4}
	.held{fill-opacity:.75}
	.hatch{stroke-width:1;stroke-opacity:.55}
`

// timetableInks are the properties of what is drawn, by the token that they are taken from.
var timetableInks = []ink{
	{"text", "fill", "ink"}, {".dim", "fill", "muted"}, {".page", "fill", "surface"}, {".win", "fill", "edge"},
	{".grid", "stroke", "edge"}, {".due", "stroke", "focus"}, {".held", "fill", "accent"},
	{".hatch", "stroke", "surface"}, {".tiny", "fill", "ink"},
}

func (s *timetable) head(y float64) {
	width, height := svgLeft+svgWide+svgRight, y+svgFoot
	s.Drawing = svg.New("timetable", "Timetable of "+s.p.Array.Name, width, height)
	light, dark := inked(timetableInks)
	for i, c := range tokens.Phases {
		light += fmt.Sprintf(".p%d{fill:%s}\n.h%[1]d{fill:url(#timetable-h%[1]d)}\n", i, c.Light)
		dark += fmt.Sprintf(".p%d{fill:%s}\n", i, c.Dark)
	}
	s.Style("text{font:12px system-ui,sans-serif}\n"+timetableLight+light, dark)
	hatches(s.Drawing)
	s.Rect("page", 0, 0, width, height)
	s.Text("name", svgLeft, 20, fmt.Sprintf("%s: one hyperperiod of %s, %.1f %% of the bus",
		s.p.Array.Name, scheduler.Millis(s.p.Hyperperiod), 100*s.p.Message.GetUtilization()))
}

// axis draws the time marks, about ten of them at round times.
func (s *timetable) axis(bottom float64) {
	for _, ms := range svg.Ticks(0, float64(s.p.Hyperperiod)/1e6, 10) {
		x := svgLeft + ms*1e6*s.scale
		s.Line("grid", x, svgTop-8, x, bottom)
		s.Text("dim mid", x, bottom+14, fmt.Sprintf("%g", math.Round(ms*1e6)/1e6))
	}
	s.Text("dim end", svgLeft-10, bottom+14, "ms")
}

func (s *timetable) holdHeight(task int) float64 {
	t := s.p.Tasks[task].Task
	if !t.Class.HasMemory() {
		return 0
	}
	return svgHoldGap + svgHold*float64(min(len(t.Chips), maxHoldLines))
}

func (s *timetable) task(i int, top float64) {
	tp := &s.p.Tasks[i]
	s.Text("name end", svgLeft-10, top+11, tp.Task.Name)
	s.Text("dim end", svgLeft-10, top+25, fmt.Sprintf("%.4g Hz",
		s.p.Message.GetPredictions()[tp.Members[0].Asked].GetPlannedRateHz()))
	s.windows(i, top)
	s.segments(i, top)
	if tp.Task.Class.HasMemory() {
		s.holds(i, top+svgBar+svgHoldGap)
	}
}

// windows draws each job's time from release to deadline, and a mark at the end.
func (s *timetable) windows(i int, top float64) {
	for k := range s.p.Entries {
		e := &s.p.Entries[k]
		if e.Task != i || e.Segment != 0 {
			continue
		}
		x, w := s.x(e.Release), float64(e.Deadline-e.Release)*s.scale
		if w >= 3 {
			s.Rect("win", x+.5, top-3, w-1, svgBar+6)
		}
		s.Line("due", s.x(e.Deadline), top-6, s.x(e.Deadline), top+3)
	}
}

// piece is a run of segments of one task, drawn as one.
type piece struct {
	start, end time.Duration
	busy       bus.Phases
}

// segments draws each piece as a column of its phases.
func (s *timetable) segments(i int, top float64) {
	var pieces []piece
	for k := range s.p.Entries {
		e := &s.p.Entries[k]
		if e.Task != i {
			continue
		}
		costs := s.p.Tasks[i].Costs[e.Segment]
		if n := len(pieces); n > 0 && float64(e.Start-pieces[n-1].end)*s.scale < svgMerge &&
			float64(e.End-pieces[n-1].start)*s.scale < 1 {
			pieces[n-1].end = e.End
			pieces[n-1].busy.Add(costs)
			continue
		}
		pieces = append(pieces, piece{e.Start, e.End, costs})
	}
	for _, pc := range pieces {
		x, w := s.x(pc.start), float64(pc.end-pc.start)*s.scale
		if w < leastWide {
			w, s.tiny = leastWide, true
			s.Put(`<path class="tiny" d="M%v %vl2.5 -4h-5z"/>`+"\n", x+w/2, top-1)
		}
		y, total := top+svgBar, float64(pc.busy.Total())
		for ph, d := range pc.busy {
			if h := svgBar * float64(d) / total; d > 0 && h >= .05 {
				y -= h
				s.phase(ph, x, y, w, h)
			}
		}
	}
}

// leastWide is how wide a piece is drawn at least, in pixels: one that would be less is marked, as not to scale.
const leastWide = .6

// phase draws a phase in its colour, with its lines where there is space for them.
func (s *timetable) phase(ph int, x, y, w, h float64) {
	s.Rect(fmt.Sprintf("p%d", ph), x, y, w, h)
	if w >= 4 && h >= 4 && len(tokens.Phases[ph].Hatch) > 0 {
		s.Rect(fmt.Sprintf("h%d", ph), x, y, w, h)
	}
}

// holds draws how long each chip holds its load.
func (s *timetable) holds(i int, top float64) {
	n := len(s.p.Tasks[i].Task.Chips)
	for at, h := range s.p.Held(i) {
		if w := float64(h.For) * s.scale; w >= .2 {
			s.Rect("held", s.x(h.From), top+svgHold*float64(at%n%maxHoldLines), w, svgHold-1)
		}
	}
}

func (s *timetable) legend(y float64) {
	x := svgLeft
	for ph := int(facetdv1.Phase_PHASE_SELECT); ph < bus.NumPhases; ph++ {
		if s.p.Busy[ph] == 0 {
			continue
		}
		label := fmt.Sprintf("%s %.2g %%", tokens.Phases[ph].Name, 100*float64(s.p.Busy[ph])/float64(s.p.Hyperperiod))
		s.phase(ph, x, y-10, 11, 11)
		s.Text("dim", x+16, y, label)
		x += 30 + 6.6*float64(len(label))
	}
	s.Rect("held", x, y-6, 16, 2)
	s.Text("dim", x+22, y, "chip holds its load")
	x += 150
	s.Line("due", x, y-10, x, y)
	s.Text("dim", x+8, y, "deadline")
	if s.tiny {
		x += 75
		s.Put(`<path class="tiny" d="M%v %vl2.5 -4h-5z"/>`+"\n", x, y-2)
		s.Text("dim", x+8, y, "too short to draw to scale")
	}
}
