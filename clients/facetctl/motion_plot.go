package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/bench"
	"facetd.example/clients/go/facet"
)

func (a *app) motionPlotCommand() *cobra.Command {
	var count int
	var chips []string
	var svg string
	cmd := &cobra.Command{
		Use:   "plot TASK",
		Short: "Draw how the robot turns, heads and comes near, over time",
		Long: `plot takes estimates of motion of a task and draws them over bus time: the turn about the axes of the
body (ahead, left, up), where it heads, how near what the chips see is (of the six that are nearest),
and after which time the first of them touches. Where nothing is told the curves are broken. It ends
after --count estimates, or when interrupted.`,
		Example: `  facetctl motion plot wall --svg motion.svg
  facetctl motion plot wall --count 600 --svg motion.svg --output json`,
		Args: cli.Args("TASK"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if svg == "" {
				return cli.Usagef("give a file to draw into: --svg motion.svg")
			}
			if count < 2 {
				return cli.Usagef("--count %d: give 2 or more", count)
			}
			p := newMotionPlot()
			err := a.follow(cmd, func(ctx context.Context, c *client) error {
				if err := knownTask(ctx, c, args[0]); err != nil {
					return err
				}
				for e, err := range c.daemon.Motion(ctx, facet.MotionOptions{Tasks: args, Chips: chips}) {
					if err != nil {
						return err
					}
					if p.add(e); p.Estimates == count {
						return nil
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
			if p.Estimates == 0 {
				return errors.New("no estimate came")
			}
			var drawing bytes.Buffer
			if err := bench.DrawPanels(&drawing, "motion", "Motion as "+args[0]+" sees it", p.panels()); err != nil {
				return err
			}
			if err := writeDrawing(cmd, svg, drawing.Bytes()); err != nil {
				return err
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(), p)
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(),
				"%s over %.2f s: the turn told in %d, the way in %d, a contact in %d\n",
				cli.Count(p.Estimates, "estimate"), p.Seconds, p.Told, p.Headed, p.Contacts)
			return err
		},
	}
	cmd.Flags().StringSliceVar(&chips, "chip", nil, "only by these chips")
	cmd.Flags().IntVar(&count, "count", 200, "end after this many estimates")
	cmd.Flags().StringVar(&svg, "svg", "", "file to draw into")
	return cmd
}

// motionPlot gathers curves.
type motionPlot struct {
	Estimates int     `json:"estimates"`
	Told      int     `json:"told"`
	Headed    int     `json:"headed"`
	Contacts  int     `json:"contacts"`
	Seconds   float64 `json:"seconds"`

	begin   int64
	rate    [3]*bench.Curve
	heading [2]*bench.Curve
	contact *bench.Curve
	near    map[string]*bench.Curve
}

func newMotionPlot() *motionPlot {
	named := func(name string) *bench.Curve { return &bench.Curve{Name: name} }
	return &motionPlot{rate: [3]*bench.Curve{named("about ahead"), named("about left"), named("about up")},
		heading: [2]*bench.Curve{named("to the left"), named("upward")}, contact: named("first contact"),
		near: map[string]*bench.Curve{}}
}

func (p *motionPlot) add(e *facetdv1.MotionEstimate) {
	b := e.GetBody()
	at := b.GetBusNs()
	if !b.GetTold() {
		at = e.GetReleaseBusNs()
	}
	if p.Estimates++; p.Estimates == 1 {
		p.begin = at
	}
	p.Seconds = float64(at-p.begin) * 1e-9
	nan := math.NaN()
	rate, heading, contact := []float64{nan, nan, nan}, [2]float64{nan, nan}, nan
	if b.GetTold() {
		p.Told++
		rate = b.GetRateRadPerS()
	}
	if h := b.GetHeading(); len(h) == 3 {
		p.Headed++
		heading = [2]float64{math.Atan2(h[1], h[0]) * 180 / math.Pi, math.Asin(max(-1, min(1, h[2]))) * 180 / math.Pi}
	}
	if _, after, ok := facet.FirstContact(b); ok {
		p.Contacts++
		contact = after.Seconds()
		if contact > 60 { // what is so far off would hide what is near
			contact = nan
		}
	}
	for k := range 3 {
		p.rate[k].Add(p.Seconds, rate[k])
	}
	if n := len(p.heading[0].Y); n > 0 && math.Abs(heading[0]-p.heading[0].Y[n-1]) > 180 {
		p.heading[0].Add(p.Seconds, nan) // from one side of behind to the other is no way across
	}
	p.heading[0].Add(p.Seconds, heading[0])
	p.heading[1].Add(p.Seconds, heading[1])
	p.contact.Add(p.Seconds, contact)
	p.addNear(b, p.Seconds)
}

// addNear takes how near each chip is; those of which nothing is told have a gap.
func (p *motionPlot) addNear(b *facetdv1.BodyMotion, at float64) {
	told := map[string]float64{}
	for _, c := range b.GetChips() {
		if c.NearnessPerS != nil {
			told[c.GetChip()] = c.GetNearnessPerS()
			if p.near[c.GetChip()] == nil {
				p.near[c.GetChip()] = &bench.Curve{Name: c.GetChip()}
			}
		}
	}
	for chip, curve := range p.near {
		v, ok := told[chip]
		if !ok {
			v = math.NaN()
		}
		curve.Add(at, v)
	}
}

// panels are what is drawn.
func (p *motionPlot) panels() []bench.Panel {
	middle := func(c *bench.Curve) float64 {
		told := slices.DeleteFunc(slices.Clone(c.Y), math.IsNaN)
		slices.Sort(told)
		if len(told) == 0 {
			return 0
		}
		return told[len(told)/2]
	}
	var near []*bench.Curve
	for _, c := range p.near {
		near = append(near, c)
	}
	slices.SortFunc(near, func(a, b *bench.Curve) int {
		return cmp.Or(cmp.Compare(middle(b), middle(a)), cmp.Compare(a.Name, b.Name))
	})
	return []bench.Panel{{Title: "turn, radians a second", Curves: p.rate[:]},
		{Title: "heading, degrees from ahead", Curves: p.heading[:]},
		{Title: "nearness, ways a second in units of the distance", Curves: near[:min(6, len(near))]},
		{Title: "first contact, in seconds, up to a minute", Curves: []*bench.Curve{p.contact}}}
}
