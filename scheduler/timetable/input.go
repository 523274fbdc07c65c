package timetable

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/big"
	"strings"

	"go.yaml.in/yaml/v3"
)

// maxInput bounds a file of abstract tasks.
const maxInput = 4 << 20

// ParseSet reads a set of abstract tasks, JSON or YAML:
//
//	{"tasks":[{"name":"a","cost_ns":1,"period_ns":4,"deadline_ns":4}]}
//
// It collects every mistake with its line; the error is *InputError.
func ParseSet(data []byte) ([]Task, error) {
	if len(data) > maxInput {
		return nil, &InputError{[]string{fmt.Sprintf("the file has %d bytes, at most %d are read", len(data), maxInput)}}
	}
	var root yaml.Node
	if err := yaml.NewDecoder(bytes.NewReader(data)).Decode(&root); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, &InputError{[]string{"the file is empty"}}
		}
		return nil, &InputError{[]string{strings.TrimPrefix(err.Error(), "yaml: ")}}
	}
	r := &setReader{}
	tasks := r.set(&root)
	if len(r.mistakes) > 0 {
		return nil, &InputError{r.mistakes}
	}
	return tasks, nil
}

// setReader walks the nodes of a file, which know their lines.
type setReader struct{ mistakes []string }

func (r *setReader) bad(n *yaml.Node, format string, args ...any) {
	r.mistakes = append(r.mistakes, fmt.Sprintf("line %d: %s", n.Line, fmt.Sprintf(format, args...)))
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
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		switch {
		case key.Value != "tasks":
			r.bad(key, "unknown field %q, expected tasks", key.Value)
		case value.Kind != yaml.SequenceNode:
			r.bad(value, "tasks is not a list")
			found = true
		default:
			found = true
			for _, item := range value.Content {
				tasks = append(tasks, r.task(item, len(tasks)))
			}
		}
	}
	if !found || (len(tasks) == 0 && len(r.mistakes) == 0) {
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
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		switch key.Value {
		case "name":
			if value.Kind != yaml.ScalarNode || value.Value == "" {
				r.bad(value, "the name of task %d is not a word", index+1)
				continue
			}
			t.Name = value.Value
		case "cost_ns":
			t.Cost = r.number(value, key.Value)
		case "period_ns":
			t.Period = r.number(value, key.Value)
		case "deadline_ns":
			t.Deadline = r.number(value, key.Value)
		default:
			r.bad(key, "unknown field %q, expected one of name, cost_ns, period_ns, deadline_ns", key.Value)
		}
	}
	if t.Cost <= 0 {
		r.bad(n, "task %s: cost_ns must be above 0", t.Name)
	}
	if t.Period <= 0 {
		r.bad(n, "task %s: period_ns must be above 0", t.Name)
	}
	if t.Deadline < 0 || (t.Period > 0 && t.Deadline > t.Period) {
		r.bad(n, "task %s: deadline_ns must be above 0 and at most period_ns", t.Name)
	}
	return t
}

func (r *setReader) number(n *yaml.Node, field string) int64 {
	var v int64
	if err := n.Decode(&v); err != nil {
		r.bad(n, "%s %q is not a whole number", field, n.Value)
		return 1 // so that it is not reported again
	}
	return v
}

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
