package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
)

const bringupHelp = `bringup takes a freshly wired array, step by step and in the order that is safe, to an
array file that can be trusted: supplies and idle lanes, select lines, a test level of
every chip, dark and flat frames, settling times, first conversions, hold times, trim,
the order of pixels, and whether chips load together. Every step ends with a verdict,
numbers with limits, and what to do where something is wrong. The operator is asked to
measure supplies and to cover or light the array: answer y or n, followed by a note for
the report if you like. It runs best without tasks, since measuring needs long gaps.

The daemon keeps a run, so that it can be resumed. At its end a report is written as HTML
and as JSON, the measurements as CSV, and the changes proposed for the array file as a patch.

Dies without protection are destroyed by electrostatic discharge and by wrong supplies.
Wear a wrist strap, limit the current, bring up supplies before inputs, and never let
two chips drive one lane. Data sheets, local codes and qualified practice come first.
The exit status is 1 when a step failed.`

// bringupNames are the steps by name, in order.
var bringupNames = []string{"supplies", "selects", "levels", "dark", "flat", "settling", "converters", "hold", "trim",
	"order", "skew"}

func bringupName(s facetdv1.BringupStep) string {
	if s < 1 || int(s) > len(bringupNames) {
		return "unknown"
	}
	return bringupNames[s-1]
}

// bringupFlags are the flags of bringup.
type bringupFlags struct {
	steps, resume, report string
	yes, virtualLight     bool
}

func (a *app) bringupCommand() *cobra.Command {
	var f bringupFlags
	cmd := &cobra.Command{
		Use:   "bringup",
		Short: "Guided bring-up of a freshly wired array, with a report and a patch of the array file",
		Long:  bringupHelp,
		Example: `  facetctl bringup
  facetctl bringup --steps settling,hold
  facetctl bringup --yes --virtual-light --report first-light
  facetctl bringup --resume 20260102-150405`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error { return a.bringup(cmd, &f) },
	}
	cmd.Flags().StringVar(&f.steps, "steps", "", "only these, with commas: "+strings.Join(bringupNames, ","))
	cmd.Flags().StringVar(&f.resume, "resume", "", "go on with the run of this name")
	cmd.Flags().StringVar(&f.report, "report", "",
		"name of the reports without extension (default bringup- and the run's name); - writes none")
	cmd.Flags().BoolVar(&f.yes, "yes", false, "run without questions; the report says so")
	cmd.Flags().BoolVar(&f.virtualLight, "virtual-light", false,
		"set the light of a virtual array instead of asking for it")
	cmd.AddCommand(a.bringupListCommand(), a.bringupShowCommand())
	return cmd
}

// request is the start that the flags ask for.
func (f *bringupFlags) request() (*facetdv1.StartBringupRequest, error) {
	r := &facetdv1.StartBringupRequest{Unattended: f.yes, VirtualLight: f.virtualLight}
	if f.steps == "" {
		return r, nil
	}
	if f.resume != "" {
		return nil, cli.Usagef("--steps is not possible with --resume: a run keeps its steps")
	}
	for _, name := range strings.Split(f.steps, ",") {
		i := slices.Index(bringupNames, strings.TrimSpace(name))
		if i < 0 {
			return nil, cli.Usagef("--steps: there is no step %q; use %s", name, strings.Join(bringupNames, ","))
		}
		r.Steps = append(r.Steps, facetdv1.BringupStep(i+1))
	}
	return r, nil
}

func (a *app) bringup(cmd *cobra.Command, f *bringupFlags) error {
	r, err := f.request()
	if err != nil {
		return err
	}
	if f.resume != "" && f.virtualLight {
		return cli.Usagef("--virtual-light is not possible with --resume: a run keeps its light")
	}
	return a.stream(cmd, func(ctx context.Context, c *client) error {
		next, err := f.open(ctx, c, r)
		if err != nil {
			return err
		}
		g := &guide{a: a, cmd: cmd, c: c, in: bufio.NewReader(cmd.InOrStdin())}
		run, err := g.follow(ctx, next)
		if err != nil {
			if g.id != "" {
				fmt.Fprintf(cmd.ErrOrStderr(), "what was done is kept; go on with: facetctl bringup --resume %s\n",
					g.id)
			}
			return err
		}
		if err := g.finish(run, f.report); err != nil {
			return err
		}
		if run.GetVerdict() == facetdv1.Verdict_VERDICT_UNSPECIFIED {
			return errors.New("every step was skipped: nothing was measured of the array")
		}
		if run.GetVerdict() == facetdv1.Verdict_VERDICT_FAIL {
			return cli.ErrReported
		}
		return nil
	})
}

// open starts or resumes a run and returns its events.
func (f *bringupFlags) open(ctx context.Context, c *client,
	r *facetdv1.StartBringupRequest) (func() (*facetdv1.BringupEvent, error), error) {
	if f.resume != "" {
		s, err := c.bringup.ResumeBringup(ctx, &facetdv1.ResumeBringupRequest{Id: f.resume, Unattended: f.yes})
		if err != nil {
			return nil, err
		}
		return func() (*facetdv1.BringupEvent, error) { m, err := s.Recv(); return m.GetEvent(), err }, nil
	}
	s, err := c.bringup.StartBringup(ctx, r)
	if err != nil {
		return nil, err
	}
	return func() (*facetdv1.BringupEvent, error) { m, err := s.Recv(); return m.GetEvent(), err }, nil
}

// guide leads an operator through a run.
type guide struct {
	a     *app
	cmd   *cobra.Command
	c     *client
	in    *bufio.Reader
	id    string
	shown bool // a progress stands on the terminal's line
}

// follow shows events until the run ends.
func (g *guide) follow(ctx context.Context, next func() (*facetdv1.BringupEvent, error)) (*facetdv1.BringupRun, error) {
	json := cli.WantsJSON(g.cmd)
	for {
		event, err := next()
		if errors.Is(err, io.EOF) {
			return nil, errors.New("the daemon ended the bring-up without a result")
		}
		if err != nil {
			g.clear()
			return nil, err
		}
		if json {
			if err := cli.WriteJSONLine(g.cmd.OutOrStdout(), event); err != nil {
				return nil, err
			}
		}
		switch e := event.GetEvent().(type) {
		case *facetdv1.BringupEvent_Started:
			g.id = e.Started.GetId()
			if !json {
				g.started(e.Started)
			}
		case *facetdv1.BringupEvent_Progress:
			g.progress(e.Progress)
		case *facetdv1.BringupEvent_Question:
			if err := g.question(ctx, e.Question); err != nil {
				return nil, err
			}
		case *facetdv1.BringupEvent_Result:
			g.clear()
			if !json {
				writeBringupResult(g.cmd.OutOrStdout(), e.Result)
			}
		case *facetdv1.BringupEvent_Ended:
			g.clear()
			return e.Ended, nil
		}
	}
}

func (g *guide) started(run *facetdv1.BringupRun) {
	w := g.cmd.OutOrStdout()
	fmt.Fprintf(w, "bring-up %s of %s: %s\n", run.GetId(), run.GetArray(), cli.Count(len(run.GetSteps()), "step"))
	for _, r := range run.GetResults() {
		fmt.Fprintf(w, "%-10s  done before: %s\n", bringupName(r.GetStep()), cli.Label(r.GetVerdict(), "VERDICT_"))
	}
}

// progress replaces the terminal's line; elsewhere it says nothing.
func (g *guide) progress(p *facetdv1.BringupProgress) {
	if g.a.terminal == nil {
		return
	}
	columns, _ := g.a.size()
	fmt.Fprintf(g.cmd.ErrOrStderr(), "\r\x1b[K%s",
		cli.Short(fmt.Sprintf("%s %3.0f %%  %s", bringupName(p.GetStep()), 100*p.GetDone(), p.GetDoing()), columns-1))
	g.shown = true
}

func (g *guide) clear() {
	if g.shown {
		fmt.Fprint(g.cmd.ErrOrStderr(), "\r\x1b[K")
		g.shown = false
	}
}

// question asks the operator: y or n, followed by a note.
func (g *guide) question(ctx context.Context, q *facetdv1.BringupQuestion) error {
	g.clear()
	w := g.cmd.ErrOrStderr()
	fmt.Fprintf(w, "\n[%s] %s\n", bringupName(q.GetStep()), q.GetText())
	for {
		fmt.Fprint(w, "y or n, and a note for the report: ")
		text, err := readLine(ctx, g.in)
		word, note, _ := strings.Cut(strings.TrimSpace(text), " ")
		yes := strings.EqualFold(word, "y") || strings.EqualFold(word, "yes")
		if yes || strings.EqualFold(word, "n") || strings.EqualFold(word, "no") {
			_, err := g.c.bringup.AnswerBringup(ctx,
				&facetdv1.AnswerBringupRequest{Id: g.id, Question: q.GetNumber(), Proceed: yes,
					Note: strings.TrimSpace(note)})
			return err
		}
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil:
			return errors.New("no answer came on standard input; with --yes no questions are asked")
		}
	}
}

// writeBringupResult writes one step for people: in full only what is not in order.
func writeBringupResult(w io.Writer, r *facetdv1.BringupResult) {
	fmt.Fprintf(w, "%-10s  %-7s  %s\n", bringupName(r.GetStep()), cli.Label(r.GetVerdict(), "VERDICT_"), r.GetSummary())
	bad := r.GetVerdict() == facetdv1.Verdict_VERDICT_FAIL || r.GetVerdict() == facetdv1.Verdict_VERDICT_WARN
	if bad {
		t := cli.NewTable("", "VERDICT", "OF", "MEASURED", "VALUE", "LIMITS", "WHY")
		for _, m := range r.GetMeasurements() {
			if m.GetVerdict() != facetdv1.Verdict_VERDICT_PASS {
				t.Row("", cli.Label(m.GetVerdict(), "VERDICT_"), m.GetSubject(), m.GetQuantity(),
					quantity(m.GetValue(), m.GetUnit()), limits(m), m.GetNote())
			}
		}
		_ = t.Write(w) // standard output; the next write fails as well
		for _, action := range r.GetActions() {
			fmt.Fprintf(w, "    > %s\n", strings.ReplaceAll(strings.TrimSpace(action), "\n", "\n      "))
		}
	}
	for _, p := range r.GetProposals() {
		now := p.GetCurrent()
		if now == "" {
			now = "not given"
		}
		fmt.Fprintf(w, "    proposal: %s: %s (now %s): %s\n", p.GetPath(), p.GetValue(), now, p.GetReason())
	}
}

// quantity writes a number with its unit; times in a unit that suits them.
func quantity(v float64, unit string) string {
	if unit == "ns" {
		return cli.NS(int64(v))
	}
	return strings.TrimSpace(fmt.Sprintf("%.4g %s", v, unit))
}

func limit(v float64, unit string) string {
	if unit == "ns" {
		return quantity(v, unit)
	}
	return quantity(v, "")
}

// limits writes the limits of a measurement.
func limits(m *facetdv1.BringupMeasurement) string {
	low, high := limit(m.GetLow(), m.GetUnit()), limit(m.GetHigh(), m.GetUnit())
	switch {
	case m.Low != nil && m.High != nil:
		return low + " to " + high
	case m.Low != nil:
		return "at least " + low
	case m.High != nil:
		return "at most " + high
	}
	return ""
}

// finish writes the reports of a run.
func (g *guide) finish(run *facetdv1.BringupRun, prefix string) error {
	w := io.Discard
	if !cli.WantsJSON(g.cmd) {
		w = g.cmd.OutOrStdout()
	}
	fmt.Fprintf(w, "\nbring-up %s: %s\n", run.GetId(), soFar(run))
	if prefix == "-" {
		return nil
	}
	if prefix == "" {
		prefix = "bringup-" + run.GetId()
	}
	return writeBringupReports(w, run, prefix)
}

// measured is one measurement of a run, with its step.
type measured struct {
	Step     string  `json:"step"`
	Subject  string  `json:"subject"`
	Quantity string  `json:"quantity"`
	Value    float64 `json:"value"`
	Unit     string  `json:"unit"`
	Low      string  `json:"low"`
	High     string  `json:"high"`
	Verdict  string  `json:"verdict"`
	Note     string  `json:"note"`
}

// measuredIn are the measurements of a run in the order of its steps. A limit that there is not is empty.
func measuredIn(run *facetdv1.BringupRun) []measured {
	number := func(v *float64) string {
		if v == nil {
			return ""
		}
		return fmt.Sprint(*v)
	}
	out := []measured{}
	for _, r := range run.GetResults() {
		for _, m := range r.GetMeasurements() {
			out = append(out, measured{bringupName(r.GetStep()), m.GetSubject(), m.GetQuantity(), m.GetValue(),
				m.GetUnit(),
				number(m.Low), number(m.High), cli.Label(m.GetVerdict(), "VERDICT_"), m.GetNote()})
		}
	}
	return out
}

// writeBringupReports writes HTML, JSON, the measurements as CSV and, where there is one, the patch.
func writeBringupReports(w io.Writer, run *facetdv1.BringupRun, prefix string) error {
	page, err := bringupHTML(run)
	if err != nil {
		return err
	}
	message, err := protojson.MarshalOptions{Multiline: true, UseProtoNames: true}.Marshal(run)
	if err != nil {
		return err
	}
	measured, err := cli.RecordsCSV(measuredIn(run))
	if err != nil {
		return err
	}
	files := []struct {
		extension string
		data      []byte
	}{{".html", page}, {".json", append(message, '\n')}, {".patch", []byte(run.GetPatch())},
		{".csv", measured}}
	for _, f := range files {
		if len(f.data) == 0 {
			continue
		}
		if err := fileio.Write(prefix+f.extension, f.data); err != nil {
			return err
		}
		fmt.Fprintf(w, "wrote %s\n", prefix+f.extension)
	}
	if run.GetPatch() != "" {
		fmt.Fprintf(w, "read the patch, then apply it in the folder of the array file: patch -p1 < %s.patch\n", prefix)
	}
	return nil
}

func (a *app) bringupListCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "list",
		Short:   "List the bring-ups that the daemon keeps, newest first",
		Example: "  facetctl bringup list",
		Args:    cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := allBringups(ctx, c)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				t := cli.NewTable("RUN", "ARRAY", "STARTED", "DONE", "VERDICT")
				for _, run := range r.GetRuns() {
					started := "-" // of a run that an earlier version kept
					if run.GetStartTime() != nil {
						started = run.GetStartTime().AsTime().Format(time.RFC3339)
					}
					t.Row(run.GetId(), run.GetArray(), started,
						fmt.Sprintf("%d of %d", len(run.GetResults()), len(run.GetSteps())), soFar(run))
				}
				return t.Write(cmd.OutOrStdout())
			})
		},
	}
}

// soFar is the verdict of a run. One that is not finished has none yet: what is to come
// may be worse.
func soFar(run *facetdv1.BringupRun) string {
	verdict := cli.Label(run.GetVerdict(), "VERDICT_")
	switch {
	case run.GetFinished() && run.GetVerdict() == facetdv1.Verdict_VERDICT_UNSPECIFIED:
		return "nothing measured"
	case run.GetFinished():
		return verdict
	case run.GetVerdict() == facetdv1.Verdict_VERDICT_UNSPECIFIED:
		return "not finished"
	}
	return "not finished, " + verdict + " so far"
}

func (a *app) bringupShowCommand() *cobra.Command {
	var prefix string
	cmd := &cobra.Command{
		Use:     "show RUN",
		Short:   "Show one bring-up, or write its reports again",
		Example: "  facetctl bringup show 20260102-150405 --report first-light",
		Args:    cli.Args("RUN"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.bringup.GetBringup(ctx, &facetdv1.GetBringupRequest{Id: args[0]})
				if err != nil {
					return err
				}
				w := cmd.OutOrStdout()
				if cli.WantsJSON(cmd) {
					err = cli.WriteJSON(w, r)
					w = io.Discard
				} else {
					for _, result := range r.GetRun().GetResults() {
						writeBringupResult(w, result)
					}
				}
				if err == nil && prefix != "" {
					err = writeBringupReports(w, r.GetRun(), prefix)
				}
				return err
			})
		},
	}
	cmd.Flags().StringVar(&prefix, "report", "", "write the reports, under this name without extension")
	return cmd
}
