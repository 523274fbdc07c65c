package timetable

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"facetd.example/api/golden"
)

// TestScenarios runs testdata/*.script. Lines that begin with "> " are input:
//
//	> task NAME COST PERIOD [DEADLINE]
//	> job NAME RELEASE DEADLINE COST[,COST...] [holds=R,...] [within=N,...]
//	> table H          decide the jobs over a hyperperiod of H, and draw the table
//	> plan             decide the tasks, and draw the table
//	> stretch          the least factor on periods and deadlines
//	> fixed            responses under fixed priorities, in the order given
//	> assign           an order of priorities that fits
//	> forget           drop all tasks and jobs
//
// and what follows them, up to the next input or comment, is what must come out.
// A drawing has a column for a tick and a line for a task; # is where it runs, | its
// first tick.
func TestScenarios(t *testing.T) {
	files, err := filepath.Glob("testdata/*.script")
	if err != nil || len(files) < 3 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got := runScenario(t, string(want))
			golden.Check(t, file, got)
		})
	}
}

// scenario is what has been said so far.
type scenario struct {
	t     *testing.T
	out   bytes.Buffer
	tasks []Task
	names []string // of the tasks of jobs
	jobs  []Job
}

func runScenario(t *testing.T, text string) string {
	s := &scenario{t: t}
	for line := range strings.Lines(text) {
		switch words, input := strings.CutPrefix(line, "> "); {
		case input:
			s.out.WriteString(line)
			s.do(strings.Fields(words))
		case strings.HasPrefix(line, "#"), line == "\n":
			s.out.WriteString(line)
		}
	}
	return s.out.String()
}

func (s *scenario) printf(format string, args ...any) {
	// Lines like those of the input would be read as such next time.
	s.out.WriteString("  " + fmt.Sprintf(format, args...) + "\n")
}

// ok writes an error, where there is one.
func (s *scenario) ok(err error) bool {
	if err != nil {
		s.printf("error: %v", err)
	}
	return err == nil
}

func (s *scenario) number(word string) int64 {
	v, err := strconv.ParseInt(word, 10, 64)
	if err != nil {
		s.t.Fatal(err)
	}
	return v
}

func (s *scenario) numbers(words string) (list []int64) {
	for word := range strings.SplitSeq(words, ",") {
		list = append(list, s.number(word))
	}
	return list
}

func (s *scenario) do(words []string) {
	opt := Options{Ticks: func(t int64) string { return fmt.Sprint(t) }}
	switch words[0] {
	case "task":
		task := Task{Name: words[1], Cost: s.number(words[2]), Period: s.number(words[3])}
		if len(words) > 4 {
			task.Deadline = s.number(words[4])
		}
		s.tasks = append(s.tasks, task)
	case "job":
		s.job(words[1:])
	case "forget":
		s.tasks, s.names, s.jobs = nil, nil, nil
	case "table":
		h := s.number(words[1])
		r, err := Plan(s.names, h, s.jobs, opt)
		s.result(r, err, h, s.jobs, s.names)
	case "plan":
		h, _ := Hyperperiod(s.tasks)
		var names []string
		for _, t := range s.tasks {
			names = append(names, t.Name)
		}
		r, err := PlanPeriodic(s.tasks, opt)
		s.result(r, err, h, jobsOf(s.tasks, h), names)
	case "stretch":
		factor, verdict, err := MinStretch(s.tasks, opt)
		if s.ok(err) {
			s.printf("least factor %s, %v", factor.RatString(), verdict)
		}
	case "fixed", "assign":
		s.fixed(words[0] == "assign")
	default:
		s.t.Fatalf("%q is no input", words)
	}
}

func (s *scenario) job(words []string) {
	j := Job{Task: -1, Release: s.number(words[1]), Deadline: s.number(words[2]), Costs: s.numbers(words[3])}
	for _, word := range words[4:] {
		if list, ok := strings.CutPrefix(word, "holds="); ok {
			for _, r := range s.numbers(list) {
				j.Resources = append(j.Resources, int(r))
			}
		}
		if list, ok := strings.CutPrefix(word, "within="); ok {
			j.Within = s.numbers(list)
		}
	}
	for i, name := range s.names {
		if name == words[0] {
			j.Task = i
		}
	}
	if j.Task < 0 {
		j.Task = len(s.names)
		s.names = append(s.names, words[0])
	}
	for _, other := range s.jobs {
		if other.Task == j.Task {
			j.Number++
		}
	}
	s.jobs = append(s.jobs, j)
}

func (s *scenario) result(r Result, err error, h int64, jobs []Job, names []string) {
	if !s.ok(err) {
		return
	}
	u, _ := r.Utilization.Float64()
	s.printf("%v by %s, %.4g %% of the bus", r.Verdict, r.Method, 100*u)
	if r.Witness != nil {
		s.printf("%s", r.Witness.Message)
	}
	if r.Verdict != Feasible {
		return
	}
	if err := Check(h, jobs, r.Table); err != nil {
		s.t.Errorf("the checker refuses: %v", err)
	}
	for i, name := range names {
		line := bytes.Repeat([]byte{'.'}, int(h))
		for _, pl := range r.Table.Placements {
			if pl.Task == i {
				copy(line[pl.Start:pl.End], bytes.Repeat([]byte{'#'}, int(pl.End-pl.Start)))
				line[pl.Start] = '|'
			}
		}
		s.printf("%-8s %s", name, line)
	}
}

func (s *scenario) fixed(assign bool) {
	order := make([]int, len(s.tasks))
	for i := range order {
		order[i] = i
	}
	if assign {
		found, ok, err := Assign(s.tasks, FixedOptions{})
		if !s.ok(err) {
			return
		}
		if !ok {
			s.printf("no order fits")
			return
		}
		order = found
	}
	responses, err := FixedPriority(s.tasks, order, FixedOptions{})
	if !s.ok(err) {
		return
	}
	for _, r := range responses {
		s.printf("%-8s blocked %d, busy %d, responses %v, worst %d, fits %v", r.Task, r.Blocking, r.Busy, r.Instance,
			r.Response, r.Schedulable)
	}
}
