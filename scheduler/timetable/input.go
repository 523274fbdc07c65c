package timetable

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"math/big"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// maxInput bounds a file of abstract tasks.
const maxInput = 4 << 20

// ParseSet reads a set of abstract tasks, JSON or YAML:
//
//	{"tasks":[{"name":"a","cost_ns":1,"period_ns":4,"deadline_ns":4}]}
//
// Times are whole nanoseconds above 0; without a deadline it is the period, without a
// name task-1 and so on. It collects every error with its line; the error is
// *InputError.
func ParseSet(data []byte) ([]Task, error) {
	if len(data) > maxInput {
		return nil, &InputError{[]string{fmt.Sprintf("the file has %d bytes, at most %d are read", len(data), maxInput)}}
	}
	var root, more yaml.Node
	dec := yaml.NewDecoder(bytes.NewReader(data))
	if err := dec.Decode(&root); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, &InputError{[]string{"the file is empty"}}
		}
		return nil, &InputError{[]string{strings.TrimPrefix(err.Error(), "yaml: ")}}
	}
	r := &setReader{names: map[string]int{}}
	tasks := r.set(&root)
	switch err := dec.Decode(&more); {
	case err == nil:
		r.bad(&more, "a second document begins, one is read")
	case !errors.Is(err, io.EOF):
		r.errs.add("%s", strings.TrimPrefix(err.Error(), "yaml: "))
	}
	if err := r.errs.err(); err != nil {
		return nil, err
	}
	return tasks, nil
}

// setReader walks the nodes of a file, which know their lines.
type setReader struct {
	errs   errs
	names  map[string]int // lines of the tasks' names
	faults int
}

func (r *setReader) bad(n *yaml.Node, format string, args ...any) {
	r.faults++
	r.errs.add("line %d: %s", n.Line, fmt.Sprintf(format, args...))
}

// fields yields the keys and values of a mapping; it reports a key that is there
// twice, or that is not one of those expected.
func (r *setReader) fields(n *yaml.Node, expected ...string) iter.Seq2[*yaml.Node, *yaml.Node] {
	return func(yield func(key, value *yaml.Node) bool) {
		seen := map[string]bool{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			key := n.Content[i]
			switch {
			case !slices.Contains(expected, key.Value):
				r.bad(key, "unknown field %q, expected %s", key.Value, oneOf(expected))
			case seen[key.Value]:
				r.bad(key, "%s is there twice", key.Value)
			default:
				seen[key.Value] = true
				if !yield(key, n.Content[i+1]) {
					return
				}
			}
		}
	}
}

func oneOf(words []string) string {
	if len(words) == 1 {
		return words[0]
	}
	return "one of " + strings.Join(words, ", ")
}

func (r *setReader) set(n *yaml.Node) []Task {
	if n.Kind == yaml.DocumentNode && len(n.Content) > 0 {
		n = n.Content[0]
	}
	if n.Kind != yaml.MappingNode {
		r.bad(n, "expected tasks: and a list")
		return nil
	}
	var tasks []Task
	found := false
	for _, value := range r.fields(n, "tasks") {
		found = true
		if value.Kind != yaml.SequenceNode {
			r.bad(value, "tasks is not a list")
			continue
		}
		if len(value.Content) > maxTasks {
			r.bad(value, "there are %d tasks, at most %d are taken", len(value.Content), maxTasks)
			continue
		}
		for _, item := range value.Content {
			tasks = append(tasks, r.task(item, len(tasks)))
		}
	}
	if !found || (len(tasks) == 0 && r.faults == 0) {
		r.bad(n, "there are no tasks")
	}
	return tasks
}

func (r *setReader) task(n *yaml.Node, index int) Task {
	t := Task{Name: fmt.Sprintf("task-%d", index+1)}
	if n.Kind != yaml.MappingNode {
		r.bad(n, "task %d is not a mapping", index+1)
		return t
	}
	given := map[string]bool{}
	for key, value := range r.fields(n, "name", "cost_ns", "period_ns", "deadline_ns") {
		given[key.Value] = true
		switch key.Value {
		case "name":
			t.Name = r.name(value, index, t.Name)
		case "cost_ns":
			t.Cost = r.time(value, key.Value)
		case "period_ns":
			t.Period = r.time(value, key.Value)
		case "deadline_ns":
			t.Deadline = r.time(value, key.Value)
		}
	}
	for _, field := range []string{"cost_ns", "period_ns"} {
		if !given[field] {
			r.bad(n, "task %s has no %s", t.Name, field)
		}
	}
	if t.Period > 0 && t.Deadline > t.Period {
		r.bad(n, "task %s: deadline_ns %d is above period_ns %d", t.Name, t.Deadline, t.Period)
	}
	if line, twice := r.names[t.Name]; twice {
		r.bad(n, "task %s is there already, on line %d", t.Name, line)
	}
	r.names[t.Name] = n.Line
	return t
}

func (r *setReader) name(n *yaml.Node, index int, otherwise string) string {
	if n.Kind != yaml.ScalarNode || strings.TrimSpace(n.Value) == "" {
		r.bad(n, "the name of task %d is not a word", index+1)
		return otherwise
	}
	return n.Value
}

// time reads a whole number above 0. 1e6 is one; the decoder by itself would cut
// the fraction off 1.5.
func (r *setReader) time(n *yaml.Node, field string) int64 {
	var v int64
	err := n.Decode(&v)
	whole := err == nil && n.ShortTag() == "!!int"
	if err == nil && n.ShortTag() == "!!float" {
		var f float64
		whole = n.Decode(&f) == nil && f == math.Trunc(f) && math.Abs(f) <= maxExact
	}
	switch {
	case !whole:
		r.bad(n, "%s %q is not a whole number", field, n.Value)
	case v <= 0 || v > maxTime:
		r.bad(n, "%s %d is not between 1 and %d", field, v, int64(maxTime))
	}
	return v
}

// maxExact is up to where a float64 holds every whole number.
const maxExact = 1 << 53

// Report is what a plan of abstract tasks says, as JSON.
type Report struct {
	Verdict     string       `json:"verdict"`
	Method      string       `json:"method"`
	Utilization float64      `json:"utilization"`
	Table       []ReportLine `json:"table"`
	Witness     string       `json:"witness"`
	// MinStretch is a fraction such as "9/8", or "" where it is not known.
	MinStretch string `json:"min_stretch"`
}

// ReportLine is one job of the table.
type ReportLine struct {
	Task  string `json:"task"`
	Job   int    `json:"job"`
	Start int64  `json:"start_ns"`
	End   int64  `json:"end_ns"`
}

// NewReport puts a result and the least stretch, nil where it is not known, into
// the report's form.
func NewReport(tasks []Task, r Result, stretch *big.Rat) Report {
	u, _ := r.Utilization.Float64()
	out := Report{Verdict: r.Verdict.String(), Method: r.Method, Utilization: u, Table: []ReportLine{}}
	for _, p := range r.Table.Placements {
		out.Table = append(out.Table, ReportLine{tasks[p.Task].Name, p.Number, p.Start, p.End})
	}
	if r.Witness != nil {
		out.Witness = r.Witness.Message
	}
	if stretch != nil {
		out.MinStretch = stretch.RatString()
	}
	return out
}

// FixedReport is what the analysis of fixed priorities says, as JSON.
type FixedReport struct {
	Responses []Response `json:"responses"`
	// Order lists the tasks from the highest priority to the lowest.
	Order []string `json:"order"`
}

// NewFixedReport puts responses, in the order of priorities, into the report's form.
func NewFixedReport(responses []Response) FixedReport {
	out := FixedReport{Responses: responses}
	for i := range out.Responses {
		if out.Responses[i].Instance == nil {
			out.Responses[i].Instance = []int64{}
		}
		out.Order = append(out.Order, out.Responses[i].Task)
	}
	return out
}
