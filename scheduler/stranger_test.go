package scheduler_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// strangerArrays is how many random arrays are planned and judged; .ci/long raises it.
func strangerArrays(t *testing.T) int {
	t.Helper()
	text := os.Getenv("FACETD_CHECKED_ARRAYS")
	if text == "" {
		return 18
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// spoilable is a timetable that a test may change, with what is said of its jobs.
type spoilable struct {
	a     *chipmodel.Array
	table rules.TimedTable
	jobs  []*facetdv1.PlannedJob
}

// newSpoilable copies what a plan's table points to; segments of different jobs share nothing.
func newSpoilable(p *scheduler.Plan) *spoilable {
	s := &spoilable{a: p.Array, table: p.Table(), jobs: p.Operations().GetJobs()}
	copied := func(ops []bus.Op) []bus.Op {
		ops = slices.Clone(ops)
		for i := range ops {
			ops[i].Target = slices.Clone(ops[i].Target)
			if ops[i].Scan != nil {
				scan := *ops[i].Scan
				scan.Claim.Registers = slices.Clone(scan.Claim.Registers)
				ops[i].Scan = &scan
			}
		}
		return ops
	}
	s.table.Initialization = copied(s.table.Initialization)
	s.table.Entries = slices.Clone(s.table.Entries)
	for i := range s.table.Entries {
		seg := *s.table.Entries[i].Segment
		job := *seg.Job
		seg.Job, seg.Program = &job, &bus.Program{Ops: copied(seg.Ops)}
		s.table.Entries[i].Segment = &seg
	}
	return s
}

// find returns the first segment with an operation of a kind that passes, and the operation's index.
func (s *spoilable) find(pass func(op *bus.Op) bool) (*bus.Segment, int) {
	for i := range s.table.Entries {
		seg := s.table.Entries[i].Segment
		if k := slices.IndexFunc(seg.Ops, func(op bus.Op) bool { return pass(&op) }); k >= 0 {
			return seg, k
		}
	}
	return nil, -1
}

func isRead(op *bus.Op) bool { return op.Scan != nil }

// spoil violates a rule, and reports whether the table has what it takes.
func (s *spoilable) spoil(rule int) bool {
	switch rule {
	case rules.RuleOneDriver:
		return s.twoDrivers()
	case rules.RuleTarget:
		seg, k := s.find(func(op *bus.Op) bool { return op.Kind == bus.OpWrite && len(op.Target) > 1 })
		if seg == nil {
			return false
		}
		seg.Ops[k].Target = seg.Ops[k].Target[1:]
	case rules.RuleStrobeOnce:
		seg, k := s.find(func(op *bus.Op) bool { return op.Kind == bus.OpStrobe })
		if seg == nil {
			return false
		}
		seg.Ops = slices.Insert(seg.Ops, k, seg.Ops[k])
	case rules.RuleSettle:
		seg, k := s.find(isRead)
		seg.Ops[k].Scan.Settle = s.a.Grain()
	case rules.RuleHeld:
		return s.disturb()
	case rules.RuleClaim:
		if seg, k := s.find(func(op *bus.Op) bool { return op.Scan != nil && op.Scan.Claim.Exposure > 0 }); seg != nil {
			seg.Ops[k].Scan.Claim.Exposure-- // by a tick
			return true
		}
		seg, k := s.find(func(op *bus.Op) bool { return op.Scan != nil && len(op.Scan.Claim.Registers) > 0 })
		if seg == nil {
			return false
		}
		seg.Ops[k].Scan.Claim.Registers[0].Value ^= 1
	case rules.RuleHoldSkew:
		return s.tightHold()
	case rules.RuleOrder:
		s.table.Entries[0].Start -= bus.Time(s.a.Grain())
		s.table.Entries[0].NotBefore = s.table.Entries[0].Start
	case rules.RuleAccounted:
		e := &s.table.Entries[len(s.table.Entries)-1]
		e.Segment.Job.Deadline = e.Start
	}
	return true
}

// twoDrivers lets two chips of a lane drive it at the end of the initialization.
func (s *spoilable) twoDrivers() bool {
	if !slices.ContainsFunc(s.a.Lanes, func(l chipmodel.Lane) bool { return len(l.Chips) > 1 }) {
		return false
	}
	every := chipmodel.LineSet(1)<<uint(len(s.a.Lines)) - 1
	last := 0
	for i := range s.table.Initialization {
		last = max(last, s.table.Initialization[i].Command)
	}
	s.table.Initialization = append(s.table.Initialization, bus.SelectOp(every),
		bus.Write(chipmodel.OutputEnable, 1).Op(last+1, s.a.All()),
		bus.Write(chipmodel.OutputEnable, 0).Op(last+2, s.a.All()))
	return true
}

// disturb cuts the jobs of a task between load and first readout, and lets another job write to the chips in between.
func (s *spoilable) disturb() bool {
	seg, _ := s.find(func(op *bus.Op) bool { return op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Load })
	if seg == nil || seg.Job.Segments != 1 {
		return false
	}
	task, number := seg.Job.Task, uint64(0)
	var out []rules.TimedEntry
	for _, e := range s.table.Entries {
		seg := e.Segment
		out = append(out, e)
		if seg.Job.Task != task {
			continue
		}
		read := slices.IndexFunc(seg.Ops, func(op bus.Op) bool { return op.Scan != nil })
		word := chipmodel.LineSet(0)
		for _, op := range seg.Ops[:read] {
			if op.Kind == bus.OpSelect {
				word = op.Word
			}
		}
		chips := s.a.Reach(word)
		strange := bus.Segment{Job: &bus.Job{Task: "stranger", Number: number, Chips: chips, Segments: 1,
			Release: seg.Job.Release, Deadline: seg.Job.Deadline},
			Program: &bus.Program{Ops: []bus.Op{bus.SelectOp(word), bus.Write(chipmodel.RowPattern, 0).Op(1, chips)}}}
		rest := *seg
		rest.Index, rest.Program = 1, &bus.Program{Ops: seg.Ops[read:]}
		seg.Ops, seg.Job.Segments = seg.Ops[:read], 2
		between := e.Start.Add(bus.CostOf(s.a, seg.Ops).Total())
		after := between.Add(bus.CostOf(s.a, strange.Ops).Total())
		out = append(out, rules.TimedEntry{Segment: &strange, Start: between},
			rules.TimedEntry{Segment: &rest, Start: after, NotBefore: e.NotBefore})
		number++
	}
	s.table.Entries = out
	for _, j := range s.jobs {
		if slices.Equal(j.GetTasks(), program.NamesOf(task)) {
			j.Segments = 2
		}
	}
	s.jobs = append(s.jobs, &facetdv1.PlannedJob{Tasks: []string{"stranger"}, JobsPerCycle: int64(number), Segments: 1,
		Chips: s.a.ChipNames(s.a.All())})
	return true
}

// tightHold gives a job that holds its chips a limit that it does not keep.
func (s *spoilable) tightHold() bool {
	seg, _ := s.find(func(op *bus.Op) bool { return op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Load })
	if seg == nil {
		return false
	}
	for i := range s.table.Entries {
		if job := s.table.Entries[i].Segment.Job; job.Task == seg.Job.Task {
			job.MaxHold = 1
		}
	}
	for _, j := range s.jobs {
		if slices.Equal(j.GetTasks(), program.NamesOf(seg.Job.Task)) {
			j.MaxHoldNs = new(int64(1))
		}
	}
	return true
}

// write stores the table in the form that the stranger's script reads.
func (s *spoilable) write(t *testing.T, file string) {
	t.Helper()
	m := scheduler.TableOperations(s.a, s.table)
	m.Jobs = s.jobs
	data, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(m)
	if err == nil {
		err = os.WriteFile(file, data, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// checkedPlan plans random tasks on a random array, a short table of them.
func checkedPlan(t *testing.T, r *rand.Rand) *scheduler.Plan {
	t.Helper()
	for {
		a := randomArray(r)
		if r.IntN(3) == 0 {
			a = mustOnGrain(t, a, grains[r.IntN(len(grains))])
		}
		var specs []*facetdv1.Task
		for k := range 1 + r.IntN(3) {
			specs = append(specs, randomTask(r, a, fmt.Sprint("t", k)))
		}
		tasks, m := program.NewTasks(a, specs)
		if len(m) > 0 {
			t.Fatal(m)
		}
		p, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true, MaxSegments: 200})
		if err == nil && p.CountOperations() < 1500 {
			return p
		}
	}
}

var verdict = regexp.MustCompile(`^.*/(\w+)\.json: (?:breaks rules ([\d ]+);|(keeps all rules))`)

// TestAStrangerAgrees has plans judged by a script that was written from the guide alone, beside the inspector: of the
// demo and of random arrays, good ones and ones that were spoiled by every rule that a plan can violate.
func TestAStrangerAgrees(t *testing.T) {
	t.Parallel()
	python := peertest.Python(t)
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 31))
	dir := t.TempDir()
	want := map[string]int{} // by file, the rule that was spoiled
	inspected := map[string][]int{}
	var files []string
	add := func(name string, s *spoilable, rule int) {
		file := filepath.Join(dir, name+".json")
		s.write(t, file)
		files, want[name] = append(files, file), rule
		for _, v := range rules.Judge(s.a, s.table, 2) {
			if !slices.Contains(inspected[name], v.Rule) {
				inspected[name] = append(inspected[name], v.Rule)
			}
		}
	}
	a, specs := crawler(t)
	plans := []*scheduler.Plan{mustBuild(t, a, specs...)}
	pairs := mustBuild(t, a, paired(specs[:3], 12*time.Millisecond)...)
	add("pairs", newSpoilable(pairs), 0)
	later := newSpoilable(pairs)
	long, wait := later.find(func(op *bus.Op) bool { return op.Kind == bus.OpWait && op.Hold > 200*time.Microsecond })
	long.Ops[wait].Hold -= 100 * time.Microsecond
	add("pairstooclose", later, rules.RuleHoldSkew)
	for range strangerArrays(t) {
		plans = append(plans, checkedPlan(t, r))
	}
	spoiled := map[int]int{}
	for i, p := range plans {
		add(fmt.Sprintf("good%d", i), newSpoilable(p), 0)
		for rule := rules.RuleOneDriver; rule <= rules.RuleAccounted; rule++ {
			if i > 0 && rule != 1+i%rules.RuleAccounted {
				continue // of the demo all, of others one
			}
			if s := newSpoilable(p); s.spoil(rule) {
				add(fmt.Sprintf("spoiled%d_%d", i, rule), s, rule)
				spoiled[rule]++
			}
		}
	}
	for rule := rules.RuleOneDriver; rule <= rules.RuleAccounted; rule++ {
		if spoiled[rule] == 0 {
			t.Errorf("no plan was spoiled by rule %d", rule)
		}
	}
	out, _ := exec.CommandContext(t.Context(), python, append([]string{"../clients/python/tests/check_plan.py"},
		files...)...).CombinedOutput()
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != len(files) {
		t.Fatalf("%d verdicts on %d plans:\n%s", len(lines), len(files), out)
	}
	for _, line := range lines {
		m := verdict.FindStringSubmatch(line)
		if m == nil {
			t.Fatalf("verdict %q", line)
		}
		var found []int
		for _, f := range strings.Fields(m[2]) {
			n, _ := strconv.Atoi(f)
			found = append(found, n)
		}
		rule := want[m[1]]
		if rule == 0 && (len(found) > 0 || len(inspected[m[1]]) > 0) ||
			rule > 0 && (!slices.Contains(found, rule) || !slices.Contains(inspected[m[1]], rule)) {
			t.Errorf("rule %d: the script finds %v, the inspector %v\n%s", rule, found, inspected[m[1]], line)
		}
	}
	t.Logf("%d plans, spoiled by rule %v", len(files), spoiled)
}

// TestOperations: what is listed is what runs: the times of the table, back to back, and every frame as planned.
func TestOperations(t *testing.T) {
	a, specs := crawler(t)
	p := mustBuild(t, a, specs...)
	o := p.Operations()
	n := len(o.GetInitialization().GetOperations())
	for i, s := range o.GetSegments() {
		now := s.GetStartNs()
		for _, op := range s.GetOperations() {
			if op.GetStartNs() != now {
				t.Fatalf("segment %d: an operation begins at %d, expected %d", i, op.GetStartNs(), now)
			}
			now = op.GetEndNs()
			n++
		}
		planned := p.Message.GetTimetable().GetSegments()[i]
		if now != s.GetEndNs() || s.GetStartNs() != planned.GetStartNs() || s.GetEndNs() != planned.GetEndNs() ||
			!slices.Equal(s.GetTasks(), planned.GetTasks()) || s.GetReleaseNs() != planned.GetReleaseNs() ||
			s.GetDeadlineNs() != planned.GetDeadlineNs() {
			t.Errorf("segment %d is %s from %d to %d, planned %v", i, s.GetTasks(), s.GetStartNs(), s.GetEndNs(),
				planned)
		}
	}
	if n != p.CountOperations() {
		t.Errorf("%d operations are listed, there are %d", n, p.CountOperations())
	}
	if end := o.GetInitialization().GetEndNs(); end != 0 || !proto.Equal(o.GetArray(), a.Message) {
		t.Errorf("the initialization ends at %d", end)
	}
	for i, j := range o.GetJobs() {
		if int(j.GetJobsPerCycle()) != p.Tasks[i].JobsPerCycle || len(j.GetFrames()) != len(p.Tasks[i].Frames) {
			t.Errorf("job %v", j)
		}
	}
}
