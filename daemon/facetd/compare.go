package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/geometry/coverage"
	"facetd.example/scheduler/hardware"
)

func compareCommand() *cobra.Command {
	var tasks, tasksB string
	var all bool
	var grain time.Duration
	cmd := &cobra.Command{
		Use:   "compare A B",
		Short: "Tell two arrays, or two plans, apart in what matters",
		Long: `compare tells what B has otherwise than A: words, noise and error, what the chips see;
with --tasks also rates, slack, skew, hold and droop of every task, bus time, and what the
board needs. With --tasks-b B has tasks of its own, so that two plans of one array can be
compared: give the array twice. Only what differs is listed, or everything with --all.
Figures that only one of the two has are - at the other.
A and B are array files, each ` + fileForm + `.`,
		Example: `  facetd compare array.yaml other.yaml
  facetd compare array.yaml other.yaml --tasks tasks.yaml --output csv
  facetd compare demo demo --tasks demo --tasks-b faster.yaml`,
		Args: cli.Args("A", "B"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if tasksB == "" {
				tasksB = tasks
			}
			if err := oneStdin(args[0], args[1], tasks, tasksB); err != nil {
				return err
			}
			var sides [2]*side
			for i, names := range [][2]string{{args[0], tasks}, {args[1], tasksB}} {
				var err error
				if sides[i], err = readSide(cmd.InOrStdin(), names[0], names[1], grain); err != nil {
					return err
				}
			}
			c := compared(sides[0], sides[1], all)
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(), c)
			}
			return c.write(cmd.OutOrStdout())
		},
	}
	cmd.Flags().StringVar(&tasks, "tasks", "", "tasks to plan on both, as ARRAY is given")
	cmd.Flags().StringVar(&tasksB, "tasks-b", "", "other tasks for B (default those of A)")
	cmd.Flags().BoolVar(&all, "all", false, "list what is the same as well")
	cmd.Flags().DurationVar(&grain, "grain", 1, grainHelp)
	return cmd
}

// oneStdin refuses to read standard input twice.
func oneStdin(files ...string) error {
	n := 0
	for _, f := range files {
		if f == "-" {
			n++
		}
	}
	if n > 1 {
		return cli.Usagef("only one of the files can be standard input")
	}
	return nil
}

// figure is one number of a design; Unit is of the number itself.
type figure struct {
	Of, What, Unit string
	Value          float64
}

// side is what is compared of one design, in the order in which it is told.
type side struct {
	figures []figure
	refused string
}

func (s *side) add(of, what, unit string, value float64) {
	s.figures = append(s.figures, figure{of, what, unit, value})
}

func readSide(stdin io.Reader, array, tasks string, grain time.Duration) (*side, error) {
	d := &study{}
	var err error
	if tasks == "" {
		d.array, err = readArrayOn(stdin, array, grain)
	} else {
		d, err = readStudy(stdin, array, tasks, grain)
	}
	if err != nil {
		return nil, err
	}
	s := &side{}
	s.addArray(d.array)
	if d.plan != nil {
		s.addPlan(d)
	} else if d.refusal != nil {
		s.refused = d.refusal.GetMessage()
	}
	if chips := camerasOf(d.array); len(chips) > 0 {
		seen := coverage.Survey(chips, geometry.Surface{}, reviewDirections)
		s.add("view", "part of the sphere seen", "%", 100*seen.SeenFraction)
		s.add("view", "seen twice or more", "%", 100*seen.TwiceFraction)
		if p := seen.DegreesPerPixel; p != nil {
			s.add("view", "degrees a pixel, median", "", p.Median)
		}
	}
	if d.array.WiringOnly || d.refusal != nil { // without a plan nobody knows how long memory holds
		return s, nil
	}
	budgets, err := d.budgets()
	if err != nil {
		return nil, err
	}
	for _, b := range budgets {
		of := "class " + b.Class
		s.add(of, "random noise", "V", b.Random.Volts)
		s.add(of, "noise and error", "V", b.Total.Volts)
		s.add(of, "random noise, in codes", "", b.Random.Codes)
		s.add(of, "noise and error, in codes", "", b.Total.Codes)
		s.add(of, "terms without a figure", "", float64(len(b.Unknown)))
	}
	return s, nil
}

func (s *side) addArray(a *chipmodel.Array) {
	sum := summarize(a)
	s.add("array", "chips", "", float64(sum.Chips))
	s.add("array", "select lines", "", float64(sum.Lines))
	s.add("array", "lanes", "", float64(len(sum.Lanes)))
	s.add("array", "chips that cannot be read", "", float64(len(sum.Unreadable)))
	if sum.Hidden != nil {
		s.add("array", "swaps that no probe sees", "", float64(len(sum.Hidden.Swaps)))
	}
	for _, g := range sum.Groups {
		if g.Cover.Error == "" {
			s.add("target "+g.Name, "select words", "", float64(g.Cover.Words))
		}
	}
	for _, l := range sum.Lanes {
		s.add("lane "+l.Name, "chips", "", float64(l.Chips))
		s.add("lane "+l.Name, "bits", "", float64(l.Bits))
		s.add("lane "+l.Name, "slowest settling", "s", float64(l.SlowestNS)/1e9)
	}
}

func (s *side) addPlan(d *study) {
	p := d.plan.Message
	s.add("bus", "time in use", "%", 100*p.GetUtilization())
	for _, phase := range p.GetPhases() {
		s.add("bus", "time to "+cli.Label(phase.GetPhase(), "PHASE_"), "%", 100*phase.GetFraction())
	}
	for _, q := range p.GetPredictions() {
		s.addPrediction("task "+q.GetTask(), q)
	}
	n := hardware.Of(d.plan)
	s.add("board", "pins, without converters", "", float64(n.PinCount))
	s.add("board", "samples a second", "", n.SamplesPerS)
	s.add("board", "bytes a second over the link", "", n.LinkBytesPerS)
	s.add("board", "memory for programs, bytes", "", float64(n.Memory.Programs))
	s.add("board", "memory for codes, bytes", "", float64(n.Memory.Buffers))
}

func (s *side) addPrediction(of string, q *facetdv1.Prediction) {
	s.add(of, "planned rate", "Hz", q.GetPlannedRateHz())
	s.add(of, "bus time", "%", 100*q.GetBusUtilization())
	for _, t := range []struct {
		what string
		ns   int64
	}{{"job", q.GetJobNs()}, {"worst response", q.GetWorstResponseNs()}, {"least slack", q.GetLeastSlackNs()},
		{"jitter", q.GetJitterNs()}, {"skew", q.GetSkewNs()}, {"longest hold", q.GetWorstHoldNs()}} {
		s.add(of, t.what, "s", float64(t.ns)/1e9)
	}
	if q.GetGreatestLightIntervalNs() > 0 {
		s.add(of, "least time between compared frames", "s", float64(q.GetLeastLightIntervalNs())/1e9)
		s.add(of, "greatest time between compared frames", "s", float64(q.GetGreatestLightIntervalNs())/1e9)
		s.add(of, "fastest turn followed", "rad/s", q.GetFastestTurnRadPerS())
	}
	s.add(of, "droop", "V", q.GetWorstDroopVolts())
}

// comparison is what two designs have, beside each other.
type comparison struct {
	// RefusedA and RefusedB say why tasks do not fit; empty where they do.
	RefusedA string       `json:"refused_a,omitempty"`
	RefusedB string       `json:"refused_b,omitempty"`
	Rows     []comparedTo `json:"rows"`
	// Same is how many figures are the same and are left out.
	Same int `json:"same"`
}

// comparedTo is one figure of both; null where one has none.
type comparedTo struct {
	Of   string   `json:"of"`
	What string   `json:"what"`
	Unit string   `json:"unit,omitempty"`
	A    *float64 `json:"a"`
	B    *float64 `json:"b"`
}

// compared puts figures of the same name beside each other, in A's order, what only B has after the others of the same
// thing. Figures that differ by less than a billionth are the same.
func compared(a, b *side, all bool) *comparison {
	out := &comparison{RefusedA: a.refused, RefusedB: b.refused, Rows: []comparedTo{}}
	type key struct{ of, what string }
	rows := map[key]*comparedTo{}
	var order []*comparedTo
	of := map[string]int{} // the last row of a thing
	for i, s := range []*side{a, b} {
		for _, f := range s.figures {
			row := rows[key{f.Of, f.What}]
			if row == nil {
				row = &comparedTo{Of: f.Of, What: f.What, Unit: f.Unit}
				rows[key{f.Of, f.What}] = row
				at, known := of[f.Of]
				if !known || i == 0 {
					at = len(order) - 1
				}
				order = append(order[:at+1], append([]*comparedTo{row}, order[at+1:]...)...)
				for name, last := range of {
					if last > at {
						of[name] = last + 1
					}
				}
				of[f.Of] = at + 1
			}
			if i == 0 {
				row.A = &f.Value
			} else {
				row.B = &f.Value
			}
		}
	}
	for _, row := range order {
		if !all && row.A != nil && row.B != nil && math.Abs(*row.A-*row.B) <= 1e-9*math.Abs(*row.A) {
			out.Same++
			continue
		}
		out.Rows = append(out.Rows, *row)
	}
	return out
}

func (c *comparison) write(w io.Writer) error {
	for _, s := range []struct{ name, why string }{{"A", c.RefusedA}, {"B", c.RefusedB}} {
		if s.why != "" {
			fmt.Fprintf(w, "the tasks do not fit on %s: %s\n\n", s.name, s.why)
		}
	}
	if len(c.Rows) > 0 {
		t := cli.NewTable("OF", "WHAT", ">A", ">B", ">CHANGE").Merged(1)
		for _, r := range c.Rows {
			t.Row(r.Of, r.What, r.text(r.A), r.text(r.B), r.change())
		}
		if err := t.Write(w); err != nil {
			return err
		}
	}
	switch {
	case len(c.Rows) == 0:
		fmt.Fprintf(w, "nothing differs in %s\n", cli.Count(c.Same, "figure"))
	case c.Same > 0:
		fmt.Fprintf(w, "\n%s the same and left out; --all lists them\n", cli.Count(c.Same, "figure"))
	}
	return nil
}

// text is a figure for people; - where there is none.
func (r *comparedTo) text(v *float64) string {
	switch {
	case v == nil:
		return "-"
	case r.Unit == "s":
		return cli.NS(int64(math.Round(*v * 1e9)))
	case r.Unit == "V":
		return cli.Volts(*v)
	}
	return strings.TrimSpace(cli.Significant(*v) + " " + r.Unit)
}

// change is by how much B has more or less than A.
func (r *comparedTo) change() string {
	switch {
	case r.A == nil || r.B == nil || *r.A == *r.B:
		return ""
	case *r.A == 0:
		return "new"
	case *r.B > 3**r.A:
		return fmt.Sprintf("%.3g times", *r.B / *r.A)
	}
	return fmt.Sprintf("%+.1f %%", 100*(*r.B / *r.A - 1))
}
