package timetable

import (
	"fmt"
	"math/big"
	"strings"

	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
)

// set is a file of abstract tasks.
type set struct {
	Tasks []struct {
		Name     string `yaml:"name"`
		Cost     int64  `yaml:"cost_ns"`
		Period   int64  `yaml:"period_ns"`
		Deadline int64  `yaml:"deadline_ns"`
	} `yaml:"tasks"`
}

// ParseSet reads a set of abstract tasks, JSON or YAML:
//
//	{"tasks":[{"name":"a","cost_ns":1,"period_ns":4,"deadline_ns":4}]}
//
// Times are whole nanoseconds above 0; without a deadline it is the period, without a name task-1 and so on. name is
// the file's name in the errors, which are all reported, each with its line.
func ParseSet(name string, data []byte) ([]Task, invalid.Errors) {
	var read set
	var m invalid.Errors
	doc := yamlfile.Parse(name, data)
	doc.Struct(&read)
	switch n := len(read.Tasks); {
	case doc.Empty():
		m.Add("", "the file is empty", `write tasks: and a list`)
	case n == 0:
		m.Add("tasks", "there are no tasks", "list at least one")
	case n > maxTasks:
		m.Add("tasks", fmt.Sprintf("there are %d tasks", n), fmt.Sprintf("use at most %d", maxTasks))
		read.Tasks = nil
	}
	tasks := make([]Task, len(read.Tasks))
	for i := range tasks {
		tasks[i] = Task(read.Tasks[i])
		checkRead(&tasks[i], i, doc, &m)
	}
	names := map[string]int{}
	for i, t := range tasks {
		if first, twice := names[t.Name]; twice {
			m.Add(invalid.Index("tasks", i), fmt.Sprintf("the name %q is taken by task %d", t.Name, first+1),
				"names are unique")
			continue
		}
		names[t.Name] = i
	}
	if m = doc.Errors(m); len(m) > 0 {
		return nil, m
	}
	return tasks, nil
}

// checkRead checks a task that was read, and names it where the file does not.
func checkRead(t *Task, i int, doc *yamlfile.Document, m *invalid.Errors) {
	path := invalid.Index("tasks", i)
	if t.Name = strings.TrimSpace(t.Name); t.Name == "" {
		t.Name = fmt.Sprintf("task-%d", i+1)
		if doc.Has(path + ".name") {
			m.Add(path+".name", "the name is empty", "write a word, or leave it out")
		}
	}
	if strings.ContainsFunc(t.Name, invalid.Unprintable) {
		m.Add(path+".name", fmt.Sprintf("the name %q cannot be shown on one line", t.Name),
			"leave out line breaks, control characters and those that turn the direction of writing")
	}
	for _, f := range []struct {
		name     string
		value    int64
		optional bool
	}{{".cost_ns", t.Cost, false}, {".period_ns", t.Period, false}, {".deadline_ns", t.Deadline, true}} {
		switch given := doc.Has(path + f.name); {
		case !given && !f.optional:
			m.Add(path+f.name, invalid.Missing, "give whole nanoseconds")
		case given && (f.value <= 0 || f.value > maxTime):
			m.Add(path+f.name, fmt.Sprintf("%d is out of range", f.value), fmt.Sprintf("use 1 to %d", int64(maxTime)))
		}
	}
	if t.Period > 0 && t.Deadline > t.Period {
		above := fmt.Sprintf("%d is above period_ns, %d", t.Deadline, t.Period)
		m.Add(path+".deadline_ns", above, "give at most the period")
	}
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
	// Rates of the tasks, each beside the others as they are; empty where the tasks fit.
	Rates []ReportRate `json:"rates"`
}

// ReportRate is what is known of the rate of one task; see TaskRate.
type ReportRate struct {
	Task string `json:"task"`
	// PeriodNS is the shortest period that was found to fit, or 0.
	PeriodNS int64 `json:"period_ns"`
	// Highest is set where that is proved to be the highest rate up to the task's own, of those whose table is no
	// longer than SearchedTableNS.
	Highest         bool  `json:"proved_highest"`
	SearchedTableNS int64 `json:"searched_table_ns"`
	// NoneFits is set where that is proved; Witness says why, InTheWay names the task that is the reason.
	NoneFits bool   `json:"none_fits"`
	Witness  string `json:"witness"`
	InTheWay string `json:"in_the_way"`
}

// ReportLine is one job of the table.
type ReportLine struct {
	Task  string `json:"task"`
	Job   int    `json:"job"`
	Start int64  `json:"start_ns"`
	End   int64  `json:"end_ns"`
}

// NewReport puts a result, the least stretch, nil where it is not known, and rates that fit into the report's form.
func NewReport(tasks []Task, r Result, stretch *big.Rat, rates []TaskRate) Report {
	u, _ := r.Utilization.Float64()
	out := Report{Verdict: r.Verdict.String(), Method: r.Method, Utilization: u, Table: []ReportLine{},
		Rates: []ReportRate{}}
	for _, x := range rates {
		out.Rates = append(out.Rates, ReportRate{Task: x.Task, PeriodNS: x.Period, Highest: x.Highest,
			SearchedTableNS: x.Searched, NoneFits: x.Witness != "", Witness: x.Witness, InTheWay: x.InTheWay})
	}
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
