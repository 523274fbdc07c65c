package scheduler_test

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/golden"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// naive walks a plan operation by operation and pixel by pixel. It shares no code
// with the planner: durations come from the array's numbers, what listens from a
// loop over the chips' inputs. It keeps the bus rules that a planner can break and
// gathers what the predictions predict.
type naive struct {
	t   testing.TB
	a   *chipmodel.Array
	now int64
	// lines that are active
	active map[int]bool
	chips  []naiveChip
}

type naiveChip struct {
	registers map[facetdv1.Register]int
	loadedAt  int64
	holder    string
	shares    []bus.Patterns
	loadBias  int   // pixel bias at the load
	exposure  int64 // of the load by the bus
	exposing  bool
	exposedAt int64
	counter   int
}

func newNaive(t testing.TB, a *chipmodel.Array) *naive {
	n := &naive{t: t, a: a, active: map[int]bool{}, chips: make([]naiveChip, len(a.Chips))}
	for i := range n.chips {
		// An array in any state but with outputs off: what the initialization does not set
		// must not matter.
		n.chips[i] = naiveChip{registers: map[facetdv1.Register]int{chipmodel.OutputEnable: 0}, counter: -1}
		for _, r := range []facetdv1.Register{chipmodel.ColumnPattern, chipmodel.RowPattern, chipmodel.PixelBias,
			chipmodel.OutputBias, chipmodel.Gain, chipmodel.Offset} {
			n.chips[i].registers[r] = -7 - i
		}
	}
	return n
}

func (n *naive) listening() []int {
	var out []int
	for i := range n.a.Chips {
		all := true
		for _, line := range n.a.Chips[i].Selects {
			all = all && n.active[line]
		}
		if all {
			out = append(out, i)
		}
	}
	return out
}

func (n *naive) errorf(format string, args ...any) {
	n.t.Helper()
	n.t.Errorf("at %d ns: %s", n.now, fmt.Sprintf(format, args...))
}

// reading is one frame part that was read.
type reading struct {
	chip, frame, firstRow int
	light, first, last    int64
}

// segment runs operations and returns what was read.
func (n *naive) segment(job string, ops []bus.Op) []reading {
	n.t.Helper()
	var out []reading
	reached := map[int][]int{} // chips by command
	targets := map[int][]int{}
	strobes := map[int]bool{}
	for i := range ops {
		op := &ops[i]
		switch op.Kind {
		case bus.OpSelect:
			clear(n.active)
			for i := range n.chips {
				n.chips[i].exposing = false
			}
			n.now += int64(n.a.Timing.DeadTime)
			for line := range n.a.Lines {
				if op.Word>>uint(line)&1 == 1 {
					n.active[line] = true
				}
			}
			if op.Word != 0 {
				n.now += int64(n.a.Timing.SelectSetup)
			}
			n.drivers()
		case bus.OpWrite, bus.OpStrobe:
			targets[op.Command] = op.Target
			strobes[op.Command] = op.Kind == bus.OpStrobe
			for _, c := range n.listening() {
				if !slices.Contains(op.Target, c) {
					n.errorf("%s: command %d reaches %s, which is not meant", job, op.Command, n.a.Chips[c].Name)
				}
				if h := n.chips[c].holder; h != "" && h != job {
					n.errorf("%s disturbs %s, held by %s", job, n.a.Chips[c].Name, h)
				}
				reached[op.Command] = append(reached[op.Command], c)
			}
			n.command(job, op)
		case bus.OpWait:
			n.now += int64(op.Hold)
		case bus.OpScan, bus.OpClockOut:
			out = append(out, n.scan(job, op)...)
		}
	}
	for k, target := range targets {
		got := slices.Clone(reached[k])
		slices.Sort(got)
		if strobes[k] && !slices.Equal(got, target) {
			n.errorf("%s: strobe %d reached %v, meant for %v", job, k, got, target)
		}
		if got = slices.Compact(got); !slices.Equal(got, target) {
			n.errorf("%s: command %d reached %v, meant for %v", job, k, got, target)
		}
	}
	for i := range n.chips {
		if n.chips[i].registers[chipmodel.OutputEnable] != 0 {
			n.errorf("%s leaves the output of %s enabled", job, n.a.Chips[i].Name)
		}
	}
	return out
}

func (n *naive) drivers() {
	on := map[int]int{}
	for _, c := range n.listening() {
		if n.chips[c].registers[chipmodel.OutputEnable] == 1 {
			on[n.a.Chips[c].Lane]++
		}
	}
	for lane, k := range on {
		if k > 1 {
			n.errorf("%d chips drive lane %d", k, lane)
		}
	}
}

func (n *naive) command(job string, op *bus.Op) {
	var d time.Duration
	for _, c := range n.listening() {
		chip, class := &n.chips[c], n.a.Chips[c].Class
		one := n.a.Timing.Strobe
		switch {
		case op.Kind == bus.OpWrite:
			chip.registers[op.Register] = int(op.Value)
			one = n.a.Timing.Write
		case op.Strobe == chipmodel.Load:
			chip.loadedAt, chip.holder, chip.shares = n.now, job, nil
			chip.loadBias = chip.registers[chipmodel.PixelBias]
			chip.exposure = 0
			if chip.exposing {
				chip.exposure, chip.exposing = n.now-chip.exposedAt, false
			}
			one += time.Duration(class.Rows) * class.Spec.GetMemory().GetLoadRow().AsDuration()
		case op.Strobe == chipmodel.Expose:
			one = max(op.Hold, op.Lasts)
			chip.exposing, chip.exposedAt = class.HasShutter(), n.now+int64(one-op.Hold)
		case op.Strobe == chipmodel.Share:
			chip.shares = append(chip.shares, bus.Patterns{
				Columns: uint8(chip.registers[chipmodel.ColumnPattern]),
				Rows:    uint8(chip.registers[chipmodel.RowPattern]),
			})
			one += op.Hold
			if op.Hold < class.Spec.GetMemory().GetShareSettle().AsDuration() {
				n.errorf("%s: a share of %s is too short", job, n.a.Chips[c].Name)
			}
		case op.Strobe == chipmodel.Reset:
			chip.counter = 0
			one = max(one, class.Spec.GetCounter().GetReset_().AsDuration())
		}
		d = max(d, one)
	}
	n.now += int64(d)
	n.drivers()
}

// scan steps from pixel to pixel of the slowest lane.
func (n *naive) scan(job string, op *bus.Op) []reading {
	n.t.Helper()
	s := op.Scan
	// Whoever listens is read, or named as one beside that has a lane of its own.
	got := n.listening()
	if want := slices.Sorted(slices.Values(slices.Concat(s.Chips, s.Beside))); !slices.Equal(got, want) {
		n.errorf("%s: a scan of %v beside %v reaches %v", job, s.Chips, s.Beside, got)
	}
	lanes := map[int]bool{}
	for _, c := range got {
		if lanes[n.a.Chips[c].Lane] {
			n.errorf("%s: a scan makes two of %v drive one lane", job, got)
		}
		lanes[n.a.Chips[c].Lane] = true
	}
	class := n.a.Chips[s.Chips[0]].Class
	step := int64(class.Spec.GetReadout().GetStep().AsDuration())
	rowStep := int64(class.Spec.GetReadout().GetRowStep().AsDuration())
	var settle, conversion int64
	hold := true
	for _, c := range s.Chips {
		lane := &n.a.Lanes[n.a.Chips[c].Lane]
		settle = max(settle, n.settle(c))
		conversion = max(conversion, int64(lane.Spec.GetConverter().GetConversion().AsDuration()))
		hold = hold && lane.Spec.GetConverter().GetSampleAndHold()
		n.claims(job, c, s)
	}
	counts := class.Spec.GetCounter() != nil
	at, row := -1, 0 // lattice position and row that the counter stands at
	free := n.now    // when the lane may move on
	ready := n.now   // when the converter may sample
	var first, last int64
	w := s.Window
	for r := range w.Rows {
		for c := range w.Columns {
			t := free
			if counts {
				y, x := w.Row+r*w.RowStep, w.Column+c*w.ColumnStep
				for at < y*class.Columns+x {
					at++
					t += step
				}
				t += int64(y-row) * rowStep
				row = y
			} else {
				if c == 0 {
					t += rowStep
				}
				t += step
			}
			t = max(t+settle, ready)
			if r == 0 && c == 0 {
				first = t
			}
			last, ready, free = t, t+conversion, t
			if !hold {
				free = ready
			}
		}
	}
	n.now = ready
	var out []reading
	for i, c := range s.Chips {
		light := first
		if class.Spec.GetMemory() != nil {
			light = n.chips[c].loadedAt
		}
		out = append(out, reading{c, s.Frames[i], s.FirstRow, light, first, last})
		n.chips[c].counter = -1
	}
	return out
}

// settle is what a chip's lane needs: by nominal output bias as described, longer as a
// lower bias leaves less bandwidth, of which a hundredth always is left.
func (n *naive) settle(chip int) int64 {
	nominal := n.nominalSettle(chip)
	bias := n.a.Chips[chip].Class.Spec.GetOutputBias()
	short := float64(bias.GetNominal()) - float64(n.chips[chip].registers[chipmodel.OutputBias])
	if bias == nil || short <= 0 {
		return nominal
	}
	return int64(math.Ceil(float64(nominal) / max(1-short*bias.GetBandwidthPerStep(), 0.01)))
}

// nominalSettle is the measured time, or (bits + 1) ln 2 time constants of the output
// resistance and the whole line, rounded up to a nanosecond.
func (n *naive) nominalSettle(chip int) int64 {
	readout := n.a.Chips[chip].Class.Spec.GetReadout()
	if readout.GetSettle() != nil {
		return int64(readout.GetSettle().AsDuration())
	}
	lane := n.a.Lanes[n.a.Chips[chip].Lane].Spec
	farads := lane.GetLineCapacitancePf() * 1e-12
	for i := range n.a.Chips {
		if n.a.Chips[i].Spec.GetLane() == lane.GetName() {
			farads += lane.GetChipCapacitancePf() * 1e-12
		}
	}
	constants := float64(lane.GetConverter().GetBits()+1) * math.Ln2
	return int64(math.Ceil(constants * readout.GetOutputResistanceOhms() * farads * 1e9))
}

func (n *naive) claims(job string, c int, s *bus.Scan) {
	chip := &n.chips[c]
	for _, rv := range s.Claim.Registers {
		if chip.registers[rv.Register] != int(rv.Value) {
			n.errorf("%s: the frame of %s claims %s %d, it is %d", job, n.a.Chips[c].Name, rv.Register, rv.Value,
				chip.registers[rv.Register])
		}
	}
	if chip.registers[chipmodel.OutputEnable] != 1 {
		n.errorf("%s: the output of %s is off", job, n.a.Chips[c].Name)
	}
	class := n.a.Chips[c].Class
	if class.Spec.GetMemory() != nil {
		if chip.holder != job || !slices.Equal(chip.shares, s.Claim.Shares) {
			n.errorf("%s: %s is held by %q with shares %v, the frame claims %v", job, n.a.Chips[c].Name, chip.holder,
				chip.shares, s.Claim.Shares)
		}
	}
	if class.Spec.GetMemory() != nil && chip.exposure != int64(s.Claim.Exposure) {
		n.errorf("%s: %s was exposed for %d ns, the frame claims %v", job, n.a.Chips[c].Name, chip.exposure,
			s.Claim.Exposure)
	}
	if class.Spec.GetMemory() != nil && class.Spec.GetPixelBias() != nil &&
		chip.loadBias != chip.registers[chipmodel.PixelBias] {
		n.errorf("%s: %s was loaded under a pixel bias of %d, the frame claims %d", job, n.a.Chips[c].Name,
			chip.loadBias, chip.registers[chipmodel.PixelBias])
	}
	if class.Counts() && chip.counter != 0 {
		n.errorf("%s: the counter of %s is not reset", job, n.a.Chips[c].Name)
	}
}

// seenTask is what the walk found out about a task.
type seenTask struct {
	worst, best, slack, early, late, skew, hold int64
	of                                          []seenMember
	frames                                      map[int]int // rows read in one job, by frame
	chipLight                                   []int64
	jobs                                        int
}

// seenMember is what concerns one member of a bus job alone.
type seenMember struct {
	slack, skew, hold int64
	chipHold          map[string]int64
	light             []int64 // of its frames in one job
}

// memberOf is the member of a bus job that a frame belongs to.
func memberOf(tp *scheduler.TaskPlan, frame int) int {
	views := 0
	for k, m := range tp.Members {
		if views += len(m.Task.Views); tp.Frames[frame].View < views {
			return k
		}
	}
	return -1
}

// deadlineOf is when a member of a job wants it finished: its deadline, or the next
// release of the table.
func deadlineOf(p *scheduler.Plan, e *scheduler.Entry, m *scheduler.Member) int64 {
	next := new(big.Int).Mul(big.NewInt(int64(e.Job)+1), big.NewInt(int64(p.Hyperperiod)))
	next.Quo(next, big.NewInt(int64(p.Tasks[e.Task].JobsPerCycle)))
	// On a bus with a coarse grain the last instant that counts is the last of its steps before it.
	due := min(int64(e.Release)+int64(m.Task.Deadline), next.Int64())
	return due - due%int64(p.Array.Grain())
}

// checkPlan walks two cycles of a plan and compares the second with the predictions.
func checkPlan(t testing.TB, p *scheduler.Plan) {
	t.Helper()
	n := newNaive(t, p.Array)
	n.segment("initialization", p.Initialization.Ops)
	if n.now != int64(p.InitializationTime) {
		t.Errorf("the initialization takes %d ns, predicted %v", n.now, p.InitializationTime)
	}
	epoch := n.now
	seen := make([]*seenTask, len(p.Tasks))
	var busy int64
	for cycle := range 2 {
		for i := range seen {
			seen[i] = &seenTask{best: 1 << 62, slack: 1 << 62, early: 1 << 62, late: -1 << 62, frames: map[int]int{}}
			for range p.Tasks[i].Members {
				seen[i].of = append(seen[i].of, seenMember{slack: 1 << 62, chipHold: map[string]int64{}})
			}
		}
		busy = 0
		for i := range p.Entries {
			e := &p.Entries[i]
			begin := epoch + int64(cycle)*int64(p.Hyperperiod)
			if begin+int64(e.Start) < n.now {
				t.Fatalf("segment of %s begins at %d, before the end of the last at %d", p.Tasks[e.Task].Task.Name,
					begin+int64(e.Start), n.now)
			}
			n.now = begin + int64(e.Start)
			n.entry(p, e, begin, seen[e.Task], fmt.Sprintf("%s-%d-%d", p.Tasks[e.Task].Task.Name, cycle, e.Job))
			busy += n.now - begin - int64(e.Start)
			if n.now != begin+int64(e.End) {
				t.Errorf("segment of %s takes %d ns, table says %d", p.Tasks[e.Task].Task.Name,
					n.now-begin-int64(e.Start), int64(e.End)-int64(e.Start))
			}
		}
	}
	for i, k := range asked(t, p) {
		pr, s, member := p.Message.GetPredictions()[i], seen[k.job], seen[k.job].of[k.member]
		limits := p.Tasks[k.job].Members[k.member].Task
		if pr.GetTask() != limits.Name {
			t.Errorf("the prediction of %s is of %s", limits.Name, pr.GetTask())
		}
		compare := func(what string, predicted, found int64) {
			if predicted != found {
				t.Errorf("task %s: %s is predicted as %d, found %d", pr.GetTask(), what, predicted, found)
			}
		}
		compare("worst response", pr.GetWorstResponseNs(), s.worst)
		compare("best response", pr.GetBestResponseNs(), s.best)
		compare("least slack", pr.GetLeastSlackNs(), member.slack)
		compare("jitter", pr.GetJitterNs(), s.late-s.early)
		compare("skew", pr.GetSkewNs(), member.skew)
		compare("worst hold", pr.GetWorstHoldNs(), member.hold)
		compare("jobs", int64(p.Tasks[k.job].JobsPerCycle), int64(s.jobs))
		for _, h := range pr.GetHolds() {
			compare("hold of "+h.GetChip(), h.GetHoldNs(), member.chipHold[h.GetChip()])
		}
		if s.slack < 0 {
			t.Errorf("task %s misses a deadline by %d ns", pr.GetTask(), -s.slack)
		}
		if limit := int64(limits.MaxHold); limit > 0 && s.hold > limit {
			t.Errorf("task %s holds for %d ns, limit %d", pr.GetTask(), s.hold, limit)
		}
		if limit := int64(limits.MaxSkew); limit > 0 && s.skew > limit {
			t.Errorf("task %s has a skew of %d ns, limit %d", pr.GetTask(), s.skew, limit)
		}
		if asked := pr.GetRequestedRateHz(); pr.GetPlannedRateHz() < asked*(1-1e-9) {
			t.Errorf("task %s runs at %g Hz, asked for %g", pr.GetTask(), pr.GetPlannedRateHz(), asked)
		}
	}
	if got := int64(p.Busy.Total()); got != busy {
		t.Errorf("the bus is busy for %d ns, predicted %d", busy, got)
	}
}

// jobOf says which member of which bus job a task as asked for is.
type jobOf struct{ job, member int }

// asked lists, for each task as asked for, its bus job: every task has one.
func asked(t testing.TB, p *scheduler.Plan) []jobOf {
	t.Helper()
	out := make([]jobOf, len(p.Message.GetPredictions()))
	n := 0
	for i := range p.Tasks {
		for k, m := range p.Tasks[i].Members {
			out[m.Asked] = jobOf{i, k}
			n++
			if p.Message.GetTasks()[m.Asked].GetName() != m.Task.Name {
				t.Errorf("task %d of %s is called %s", m.Asked, p.Tasks[i].Task.Name, m.Task.Name)
			}
		}
	}
	if n != len(out) || n != len(p.Message.GetTasks()) {
		t.Fatalf("%d members, %d predictions, %d tasks", n, len(out), len(p.Message.GetTasks()))
	}
	return out
}

// entry runs one segment and gathers what it shows.
func (n *naive) entry(p *scheduler.Plan, e *scheduler.Entry, begin int64, s *seenTask, job string) {
	n.t.Helper()
	tp := &p.Tasks[e.Task]
	if e.Segment == 0 {
		s.early, s.late = min(s.early, int64(e.Start)-int64(e.Release)), max(s.late, int64(e.Start)-int64(e.Release))
		clear(s.frames)
		s.chipLight = nil
		for k := range s.of {
			s.of[k].light = nil
		}
		s.jobs++
	}
	if int64(e.Start) < int64(e.Release) {
		n.errorf("%s begins before its release", job)
	}
	for _, r := range n.segment(job, tp.Segments[e.Segment]) {
		if r.firstRow != s.frames[r.frame] {
			n.errorf("%s: frame %d goes on at row %d, expected %d", job, r.frame, r.firstRow, s.frames[r.frame])
		}
		f := tp.Frames[r.frame]
		if f.Chip != r.chip {
			n.errorf("%s: frame %d is of chip %d, read of %d", job, r.frame, f.Chip, r.chip)
		}
		m := &s.of[memberOf(tp, r.frame)]
		s.frames[r.frame] += rowsOf(tp.Segments[e.Segment], r)
		if r.firstRow == 0 {
			s.chipLight = append(s.chipLight, r.light)
			m.light = append(m.light, r.light)
		}
		if n.chips[r.chip].holder != "" {
			name := p.Array.Chips[r.chip].Name
			m.chipHold[name] = max(m.chipHold[name], r.last-r.light)
			m.hold = max(m.hold, r.last-r.light)
			s.hold = max(s.hold, r.last-r.light)
		}
	}
	if e.Segment < len(tp.Segments)-1 {
		return
	}
	for i := range n.chips {
		if n.chips[i].holder == job {
			n.chips[i].holder = ""
		}
	}
	for i, f := range tp.Frames {
		if s.frames[i] != f.Window.Rows {
			n.errorf("%s: frame %d has %d rows of %d", job, i, s.frames[i], f.Window.Rows)
		}
	}
	response := n.now - begin - int64(e.Release)
	s.worst, s.best = max(s.worst, response), min(s.best, response)
	s.slack = min(s.slack, int64(e.Deadline)-int64(e.Release)-response)
	s.skew = max(s.skew, slices.Max(s.chipLight)-slices.Min(s.chipLight))
	for k := range s.of {
		m := &s.of[k]
		m.skew = max(m.skew, slices.Max(m.light)-slices.Min(m.light))
		m.slack = min(m.slack, deadlineOf(p, e, &tp.Members[k])-int64(e.Release)-response)
	}
}

// rowsOf is how many rows a reading has.
func rowsOf(ops []bus.Op, r reading) int {
	for i := range ops {
		if s := ops[i].Scan; s != nil && s.FirstRow == r.firstRow {
			if k := slices.Index(s.Chips, r.chip); k >= 0 && s.Frames[k] == r.frame {
				return s.Window.Rows
			}
		}
	}
	return 0
}

// TestCrawler plans the example and walks it.
func TestCrawler(t *testing.T) {
	a, specs := crawler(t)
	p := mustBuild(t, a, specs...)
	checkPlan(t, p)
	golden.Check(t, "testdata/crawler.script", script(t, p))
	for i, want := range []float64{15, 20, 50, 10} {
		if pr := p.Message.GetPredictions()[i]; pr.GetPlannedRateHz() != want || pr.GetSegments() != 1 {
			t.Errorf("task %s: %g Hz in %d segments, expected %g in 1", pr.GetTask(), pr.GetPlannedRateHz(),
				pr.GetSegments(), want)
		}
	}
}

// TestInitialization: the initialization brings every register to what the table assumes, and a
// cycle leaves it there.
func TestInitialization(t *testing.T) {
	a := bench(t, [5]int{4, 3, 2, 3, 2})
	binned := &facetdv1.View{Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}
	p := mustBuild(t, a, task("ring", "mems", 10, binned, &facetdv1.View{Name: "s", SmoothingSteps: 2}),
		&facetdv1.Task{Name: "some", Target: list("mem-1", "mem-2"), RateHz: 10, Views: []*facetdv1.View{binned}},
		task("pair", "sws", 10, binned), task("trim", "trims", 10))
	assumes := p.Assumes()
	regs := program.RegistersAfter(a, p.Initialization.Ops, program.NewRegisters(a, program.Unknown))
	agree := func(when string) {
		t.Helper()
		known := 0
		for c := range assumes {
			for r, v := range assumes[c] {
				if v >= 0 {
					known++
					if regs[c][r] != v {
						t.Errorf("%s: %s of %s is %d, assumed %d", when, facetdv1.Register(r), a.Chips[c].Name,
							regs[c][r], v)
					}
				}
			}
		}
		// Outputs of 14 chips; patterns of two ring chips alone and of three pair chips;
		// four registers of three chips with biases and amplifier.
		if known != 14+2*2+3*2+4*3 {
			t.Errorf("%d registers are assumed", known)
		}
	}
	agree("initialization")
	for _, e := range p.Entries {
		regs = program.RegistersAfter(a, p.Tasks[e.Task].Segments[e.Segment], regs)
	}
	agree("a cycle")
	if v := assumes[a.Chip("mem-1")][chipmodel.RowPattern]; v != program.Unknown {
		t.Errorf("two tasks leave different patterns, assumed %d", v)
	}
	if v := assumes[a.Chip("hex-0")][chipmodel.RowPattern]; v != program.Untouched {
		t.Errorf("no task writes it, assumed %d", v)
	}
}

func TestGoldenPlansWalked(t *testing.T) {
	binned := &facetdv1.View{Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}
	a := bench(t, [5]int{4, 3, 3, 3, 2})
	checkPlan(t, mustBuild(t, a,
		task("ring", "mems", 40, &facetdv1.View{SmoothingSteps: 3},
			&facetdv1.View{Binning: &facetdv1.Binning{Rows: 2}}),
		task("fast", "hexs", 700, tiny()), task("pair", "sws", 50, binned, &facetdv1.View{}),
		task("bed", "cnts", 30, fine0()), task("trim", "trims", 20),
	))
}
