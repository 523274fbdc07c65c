package main

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/budget"
	"facetd.example/daemon/server"
	"facetd.example/scheduler"
)

// sweepForm says what can be swept.
const sweepForm = "lanes=1,2,4, bits=8,10,12, capacitance=10,20,40 (of every lane's line, in pF) or " +
	"row-time=500ns,2us (of the task's class)"

// maxSwept is how many values a sweep has at the most: each is a search of its own.
const maxSwept = 64

// sweep is a property of the array, and the values that it is given one after the other.
type sweep struct {
	what   string
	values []string
	change []func(msg *facetdv1.Array, class string)
}

// parseSweep reads what is to be swept.
func parseSweep(text string) (*sweep, error) {
	what, list, _ := strings.Cut(text, "=")
	s := &sweep{what: what, values: strings.Split(list, ",")}
	if list == "" || len(s.values) > maxSwept {
		return nil, cli.Usagef("--sweep %s: give 1 to %d values, such as %s", text, maxSwept, sweepForm)
	}
	for _, value := range s.values {
		change, err := sweptTo(what, value)
		if err != nil {
			return nil, cli.Usagef("--sweep %s: %v", text, err)
		}
		s.change = append(s.change, change)
	}
	return s, nil
}

// sweptTo is the change that gives an array one value.
func sweptTo(what, value string) (func(msg *facetdv1.Array, class string), error) {
	switch what {
	case "lanes":
		n, err := strconv.ParseUint(value, 10, 8)
		if err != nil || n == 0 {
			return nil, fmt.Errorf("%q is no number of lanes from 1 to 255", value)
		}
		return func(msg *facetdv1.Array, _ string) { spreadOver(msg, int(n)) }, nil
	case "bits":
		n, err := strconv.ParseUint(value, 10, 8)
		if err != nil {
			return nil, fmt.Errorf("%q is no number of bits", value)
		}
		return func(msg *facetdv1.Array, _ string) {
			for _, l := range msg.GetLanes() {
				l.GetConverter().Bits = uint32(n)
			}
		}, nil
	case "capacitance":
		pf, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return nil, fmt.Errorf("%q is no number of picofarads", value)
		}
		return func(msg *facetdv1.Array, _ string) {
			for _, l := range msg.GetLanes() {
				l.LineCapacitancePf = pf
			}
		}, nil
	case "row-time":
		d, err := time.ParseDuration(value)
		if err != nil || d < 0 {
			return nil, fmt.Errorf("%q is no time such as 500ns", value)
		}
		return func(msg *facetdv1.Array, class string) {
			for _, c := range msg.GetClasses() {
				if c.GetName() == class {
					c.GetReadout().RowStep = durationpb.New(d)
				}
			}
		}, nil
	}
	return nil, fmt.Errorf("%q cannot be swept; use %s", what, sweepForm)
}

// spreadOver gives an array so many lanes like its first, on which its chips take turns in the order of the file.
func spreadOver(msg *facetdv1.Array, n int) {
	first := msg.GetLanes()[0]
	msg.Lanes = nil
	for i := range n {
		lane := proto.CloneOf(first)
		lane.Name = fmt.Sprint("lane-", i)
		msg.Lanes = append(msg.Lanes, lane)
	}
	for i, c := range msg.GetChips() {
		c.Lane = msg.GetLanes()[i%n].GetName()
	}
	msg.Device = nil // its pins are of the lanes of the file
}

// swept is what one value gives.
type swept struct {
	Value string `json:"value"`
	// Failed says why there is nothing else; empty where there is.
	Failed        string  `json:"failed,omitempty"`
	RateHz        float64 `json:"rate_hz"`
	ProvedHighest bool    `json:"proved_highest"`
	JobNS         int64   `json:"job_ns"`
	SkewNS        int64   `json:"skew_ns"`
	WorstHoldNS   int64   `json:"worst_hold_ns"`
	// RandomVolts is what is new in each frame, ErrorVolts everything, both at the chip's output; in codes likewise.
	RandomVolts float64 `json:"random_volts"`
	ErrorVolts  float64 `json:"error_volts"`
	RandomCodes float64 `json:"random_codes"`
	ErrorCodes  float64 `json:"error_codes"`
}

// sweptTask is a task whose array is swept.
type sweptTask struct {
	array *chipmodel.Array
	grain time.Duration
	task  *facetdv1.Task
	opt   scheduler.ExploreOptions
}

// run explores the task, with the views that it asks for, for every value. An array that is not valid for a value, or
// on which nothing fits, is told, and the others come on.
func (t *sweptTask) run(s *sweep) ([]swept, error) {
	chips, m := t.array.Resolve(t.task.GetTarget())
	if len(m) > 0 {
		return nil, m.Under("target")
	}
	if t.array.WiringOnly {
		return nil, errors.New("the array file describes only the wiring: there is nothing to sweep")
	}
	t.opt.Windows, t.opt.MaxBatches = []float64{1}, 1
	out := make([]swept, len(s.values))
	for i, value := range s.values {
		out[i].Value = value
		if err := t.one(&out[i], s.change[i], chips[0]); err != nil {
			out[i] = swept{Value: value, Failed: err.Error()}
		}
	}
	return out, nil
}

func (t *sweptTask) one(out *swept, change func(*facetdv1.Array, string), chip int) error {
	msg := proto.CloneOf(t.array.Message)
	change(msg, t.array.Chips[chip].Class.Name)
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		return fmt.Errorf("%s: %s", m[0].Path, m[0].Message)
	}
	a, err := a.OnGrain(t.grain)
	if err != nil {
		return err
	}
	if unreadable := server.UnreadableIn(a); len(unreadable) > 0 {
		return fmt.Errorf("%s cannot be read, %s the first", cli.Count(len(unreadable), "chip"), unreadable[0].Chip)
	}
	x, err := scheduler.Explore(a, t.task, t.opt)
	if err != nil {
		return err
	}
	if len(x.Points) == 0 {
		return nothingFits(a, t.task, t.opt.Beside)
	}
	p := x.Points[0] // the blocks that the task asks for, its whole window, one batch
	out.RateHz, out.ProvedHighest = p.RateHz, p.ProvedHighest
	out.JobNS, out.SkewNS, out.WorstHoldNS = p.JobNS, p.SkewNS, p.WorstHoldNS
	c := budget.Conditions{Lux: a.LightLux()}
	if a.Chips[chip].Class.HasMemory() {
		c.Hold = time.Duration(p.WorstHoldNS)
	}
	b, wrong := budget.New(a, chip, c)
	if len(wrong) > 0 {
		return wrong
	}
	out.RandomVolts, out.ErrorVolts = b.Random.Volts, b.Total.Volts
	out.RandomCodes, out.ErrorCodes = b.Random.Codes, b.Total.Codes
	return nil
}

// runSweep explores a task over a sweep and prints what comes of it.
func runSweep(cmd *cobra.Command, t *sweptTask, text string, out *figures) error {
	if out.svg != "" {
		return cli.Usagef("--svg draws rate against resolution, which a sweep leaves as it is; use --csv")
	}
	s, err := parseSweep(text)
	if err != nil {
		return err
	}
	points, err := t.run(s)
	if err != nil {
		return err
	}
	if err := out.write(cmd, nil, points); err != nil {
		return err
	}
	switch {
	case cli.WantsJSON(cmd):
		return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"array": t.array.Name, "task": t.task.GetName(),
			"swept": s.what, "points": points})
	case out.printed():
		return nil
	}
	return writeSweep(cmd.OutOrStdout(), s, points)
}

func writeSweep(w io.Writer, s *sweep, points []swept) error {
	t := cli.NewTable(">"+strings.ToUpper(s.what), ">RATE Hz", ">JOB", ">SKEW", ">HOLD", ">RANDOM", ">ERROR", ">CODES")
	for _, p := range points {
		if p.Failed != "" {
			t.Row(p.Value, "-", "-", "-", "-", "-", "-", "-")
			continue
		}
		rate := cli.Significant(p.RateHz)
		if !p.ProvedHighest {
			rate = ">= " + rate
		}
		t.Row(p.Value, rate, cli.NS(p.JobNS), cli.NS(p.SkewNS), cli.NS(p.WorstHoldNS), cli.Volts(p.RandomVolts),
			cli.Volts(p.ErrorVolts), cli.Significant(p.ErrorCodes))
	}
	if err := t.Write(w); err != nil {
		return err
	}
	for _, p := range points {
		if p.Failed != "" {
			fmt.Fprintf(w, "%s %s: %s\n", s.what, p.Value, p.Failed)
		}
	}
	_, err := fmt.Fprintln(w, "\nRATE is the highest; RANDOM is new in each frame, ERROR and CODES are all of noise "+
		"and\nerror, at the light of the array file and the hold of the job")
	return err
}
