package main

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/api/tokens"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/budget"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/geometry/coverage"
	"facetd.example/scheduler"
	"facetd.example/scheduler/draw"
	"facetd.example/scheduler/hardware"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/wiring"
)

//go:embed report.html
var reportTemplate string

func reportCommand() *cobra.Command {
	var file string
	var grain time.Duration
	cmd := &cobra.Command{
		Use:   "report ARRAY TASKS --html FILE",
		Short: "Write one HTML file about an array and its tasks, for a design review",
		Long: `report writes one HTML file that needs nothing else: what is open, the wiring, what the
chips see, noise and error of every class, the timetable, what each task could have beside
the others, and what the board needs. Tasks that do not fit are no failure: the report says
why, and what would fit. It has no date, so that the same files give the same report.
ARRAY and TASKS are each ` + fileForm + `.`,
		Example: `  facetd report array.yaml tasks.yaml --html review.html
  facetd report demo demo --html - > review.html`,
		Args: cli.Args("ARRAY", "TASKS"),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case file == "":
				return cli.Usagef("give the file to write: --html FILE (- is standard output)")
			case file == "-" && cmd.Flag("output").Value.String() != "human":
				return cli.Usagef("--html - and --output %s both print to standard output", cmd.Flag("output").Value)
			case args[0] == "-" && args[1] == "-":
				return cli.Usagef("only one of the two files can be standard input")
			}
			if file != "-" { // the report takes seconds
				if err := fileio.CheckWrite(file); err != nil {
					return err
				}
			}
			d, err := readStudy(cmd.InOrStdin(), args[0], args[1], grain)
			if err != nil {
				return err
			}
			r, err := d.report()
			if err != nil {
				return err
			}
			var page bytes.Buffer
			if err := reportPage.Execute(&page, r); err != nil {
				return err
			}
			if err := writeFile(cmd, file, page.Bytes()); err != nil || !cli.WantsJSON(cmd) {
				return err
			}
			return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"html": file, "open": r.Open})
		},
	}
	cmd.Flags().StringVar(&file, "html", "", "file to write (- is standard output)")
	cmd.Flags().DurationVar(&grain, "grain", 1, grainHelp)
	return cmd
}

// study is an array with its tasks, and their plan or why there is none.
type study struct {
	array   *chipmodel.Array
	specs   []*facetdv1.Task
	plan    *scheduler.Plan // nil where the tasks do not fit
	refusal *facetdv1.Refusal
}

func readStudy(stdin io.Reader, array, tasks string, grain time.Duration) (*study, error) {
	var programs []*program.Task
	a, specs, err := readBoth(stdin, array, tasks, grain,
		func(a *chipmodel.Array, specs []*facetdv1.Task) (m invalid.Errors) {
			programs, m = program.NewTasks(a, specs)
			return m
		})
	if err != nil {
		return nil, err
	}
	d := &study{array: a, specs: specs}
	d.plan, err = scheduler.Build(a, programs, scheduler.Options{})
	var refusal *scheduler.RefusalError
	if errors.As(err, &refusal) {
		d.plan, d.refusal, err = nil, refusal.Refusal, nil
	}
	return d, err
}

// budgets are the budgets of the classes that have chips, under the light that the array states; what memory holds is
// held as long as the plan holds it at the most.
func (d *study) budgets() ([]budget.Budget, error) {
	var out []budget.Budget
	for _, class := range d.array.Classes {
		chip, err := chipOf(d.array, class.Name, "")
		if err != nil {
			continue // it has no chips
		}
		c := budget.Conditions{Lux: d.array.LightLux()}
		if class.HasMemory() {
			c.Hold = d.longestHold(class)
		}
		b, m := budget.New(d.array, chip, c)
		if len(m) > 0 {
			return nil, m
		}
		out = append(out, b)
	}
	return out, nil
}

// longestHold is how long the plan holds frames of a class at the most.
func (d *study) longestHold(class *chipmodel.Class) time.Duration {
	if d.plan == nil {
		return 0
	}
	var longest int64
	for _, p := range d.plan.Message.GetPredictions() {
		for _, h := range p.GetHolds() {
			if c := d.array.Chip(h.GetChip()); c >= 0 && d.array.Chips[c].Class == class {
				longest = max(longest, h.GetHoldNs())
			}
		}
	}
	return time.Duration(longest)
}

// reportData is what the page shows.
type reportData struct {
	Title, Version string
	Summary        *summary
	Plan           *facetdv1.Plan // nil where the tasks do not fit
	Refusal        []string
	Open           []string
	Wiring         template.URL
	Sphere         template.URL
	Coverage       *coverage.Report
	Budgets        []reportBudget
	Timetable      template.URL
	Explored       []reportExplored
	Needs          [][2]string
}

type reportBudget struct {
	budget.Budget
	Drawing template.URL
}

type reportExplored struct {
	*scheduler.Exploration
	Failed  string
	Drawing template.URL
}

func (d *study) report() (*reportData, error) {
	r := &reportData{Title: d.array.Name, Version: cli.ThisBuild(version).Version, Summary: summarize(d.array)}
	if r.Title == "" {
		r.Title = "An array without a name"
	}
	var err error
	if r.Wiring, err = drawn(func(w io.Writer) error { return wiring.Map(w, mapInput(d.array)) }); err != nil {
		return nil, err
	}
	if chips := camerasOf(d.array); len(chips) > 0 {
		r.Coverage = coverage.Survey(chips, geometry.Surface{}, reviewDirections)
		if r.Sphere, err = drawn(func(w io.Writer) error {
			return r.Coverage.Draw(w, "What "+d.array.Name+" sees")
		}); err != nil {
			return nil, err
		}
	}
	budgets, err := d.budgets()
	if err != nil {
		return nil, err
	}
	for _, b := range budgets {
		picture, err := drawn(b.Draw)
		if err != nil {
			return nil, err
		}
		r.Budgets = append(r.Budgets, reportBudget{b, picture})
	}
	if err := d.reportPlan(r); err != nil {
		return nil, err
	}
	r.Open = d.open(r)
	return r, nil
}

// reportPlan adds the timetable, or the refusal, and what each task could have.
func (d *study) reportPlan(r *reportData) error {
	if d.plan == nil {
		r.Refusal = cli.RefusalLines(d.refusal)
		return nil
	}
	var err error
	r.Plan, r.Needs = d.plan.Message, needsRows(hardware.Of(d.plan))
	if r.Timetable, err = drawn(func(w io.Writer) error { return draw.Timetable(w, d.plan) }); err != nil {
		return err
	}
	for i, task := range d.specs {
		if task.GetLeastInterval() != nil {
			continue
		}
		others := append(append([]*facetdv1.Task{}, d.specs[:i]...), d.specs[i+1:]...)
		x, err := scheduler.Explore(d.array, task, scheduler.ExploreOptions{Beside: others})
		if err != nil {
			return err
		}
		e := reportExplored{Exploration: x}
		if len(x.Points) == 0 {
			e.Failed = nothingFits(d.array, task, others).Error()
		} else if e.Drawing, err = drawn(func(w io.Writer) error { return draw.Exploration(w, x) }); err != nil {
			return err
		}
		r.Explored = append(r.Explored, e)
	}
	return nil
}

// open lists what a review has to look at, the worst first.
func (d *study) open(r *reportData) []string {
	out := []string{}
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	for _, u := range r.Summary.Unreadable {
		add("Chip %s cannot be read: every word that selects it selects %s, of which several drive one lane.", u.Chip,
			strings.Join(u.Selects, ", "))
	}
	if d.refusal != nil {
		add("The tasks do not fit: %s.", d.refusal.GetMessage())
	}
	for _, g := range r.Summary.Groups {
		if g.Cover.Error != "" {
			add("No select words reach %s alone: %s.", g.Name, g.Cover.Error)
		}
	}
	for _, b := range r.Budgets {
		if b.Saturation.By != "" {
			add("Class %s saturates at %g lux: the %s clips.", b.Class, b.Lux, b.Saturation.By)
		}
		if n := len(b.Unknown); n > 0 {
			add("The budget of class %s has no figure for %s of the array file; the sums count them as nothing.",
				b.Class, cli.Count(n, "field"))
		}
	}
	if r.Plan != nil {
		if r.Plan.GetUtilization() > busNearlyFull {
			add("The bus is busy %s of the time, which leaves little for captures, probes and new tasks.",
				cli.Percent(r.Plan.GetUtilization()))
		}
		for _, a := range r.Plan.GetAdvice() {
			add("Plan: %s.", strings.TrimSuffix(a.GetMessage(), "."))
		}
	}
	if h := r.Summary.Hidden; h != nil && len(h.Swaps)+len(h.Shorts) > 0 {
		var lines strings.Builder
		h.write(&lines)
		for line := range strings.Lines(lines.String()) {
			add("Wiring: %s.", strings.TrimSpace(line))
		}
	}
	return out
}

// reviewDirections is how finely the sphere is looked at: about a degree and a half.
const reviewDirections = 20000

// busNearlyFull is the part of bus time above which the alerts warn, too.
const busNearlyFull = 0.9

// drawn embeds a drawing as a picture, in which nothing runs and whose style is its own.
func drawn(draw func(io.Writer) error) (template.URL, error) {
	var b bytes.Buffer
	if err := draw(&b); err != nil {
		return "", err
	}
	return template.URL("data:image/svg+xml;base64," + base64.StdEncoding.EncodeToString(b.Bytes())), nil
}

var reportPage = template.Must(template.New("report").Funcs(template.FuncMap{
	"ns": cli.NS, "significant": cli.Significant, "percent": cli.Percent, "volts": cli.Volts, "count": cli.Count,
	"phases":     cli.PhaseLine,
	"milli":      func(v float64) string { return cli.Significant(1e3 * v) },
	"percentage": func(v float64) string { return fmt.Sprintf("%.0f %%", 100*v) },
}).Parse(strings.Replace(reportTemplate, "/* colours */", tokens.Themed(reportColours), 1)))

// reportColours are what the styles of the report call the shared colours.
const reportColours = ":root { color-scheme: light dark; --ink: var(--ink); --ground: var(--bg); " +
	"--soft: var(--sunken); --rule: var(--line); --warn: var(--warn); --quiet: var(--muted) }"
