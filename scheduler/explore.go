package scheduler

import (
	"fmt"
	"math"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// ExploreOptions say beside what a task is explored, and how far. The zero value is the default.
type ExploreOptions struct {
	// Beside are other tasks, which keep their rates and take their time; nil is none.
	Beside []*facetdv1.Task
	// Windows are the parts of the asked window's sides that are tried, each above 0
	// and at most 1; nil means 1, 3/4, 1/2 and 1/4.
	Windows []float64
	// MaxBatches is the most batches that are tried; 0 means 16.
	MaxBatches int
}

// Exploration is what one task could have on its array: rate against resolution
// against skew and hold. It is ready to be written as JSON.
type Exploration struct {
	Array string `json:"array"`
	Task  string `json:"task"`
	// Chips that a job reads.
	Chips  int            `json:"chips"`
	Points []ExplorePoint `json:"points"`
}

// ExplorePoint is one way to run the task.
type ExplorePoint struct {
	// BinRows and BinColumns are the block of the first view; other views have at
	// least the same.
	BinRows    int `json:"bin_rows"`
	BinColumns int `json:"bin_columns"`
	// WindowPart is the part of the asked window's sides that is read.
	WindowPart float64 `json:"window_part"`
	// Batches in which the chips are loaded, each read before the next.
	Batches int `json:"batches"`
	// Rows and Columns of a frame of the first view; Pixels of all views of a chip.
	Rows    int `json:"rows"`
	Columns int `json:"columns"`
	Pixels  int `json:"pixels"`
	// CellsPerPixel are the lattice cells that one pixel of the first view stands for,
	// CellsSeen those from its first to its last row and column.
	CellsPerPixel int `json:"cells_per_pixel"`
	CellsSeen     int `json:"cells_seen"`
	// JobNS is the bus time of a job, RateHz the highest rate that was found to fit.
	JobNS  int64   `json:"job_ns"`
	RateHz float64 `json:"rate_hz"`
	// ProvedHighest says that no higher rate fits in any timetable of at most SearchedTableNS; without it higher ones
	// may.
	ProvedHighest   bool  `json:"proved_highest"`
	SearchedTableNS int64 `json:"searched_table_ns"`
	// SkewNS and WorstHoldNS are of a job at that rate.
	SkewNS      int64 `json:"skew_ns"`
	WorstHoldNS int64 `json:"worst_hold_ns"`
	// WithinLimits says that hold and skew keep the task's own limits.
	WithinLimits bool `json:"within_limits"`
	// Pareto says that no other point is as good in rate, cells per pixel, cells seen,
	// skew and hold, and better in one of them.
	Pareto bool `json:"pareto"`
}

const (
	defaultMaxBatches = 16
	maxExplored       = 4096
)

// Explore finds what a task could have on its array, whatever rate, max_hold and max_skew it asks for, for every
// possible square block, a few windows and every number of batches that shortens the hold. Points are in order of
// blocks, windows and batches; those that do not fit at any rate are left out. Errors: invalid.Errors for a task that
// is not valid, *RefusalError for chips that cannot be read.
func Explore(a *chipmodel.Array, spec *facetdv1.Task, opt ExploreOptions) (*Exploration, error) {
	if opt.Windows == nil {
		opt.Windows = []float64{1, .75, .5, .25}
	}
	if opt.MaxBatches == 0 {
		opt.MaxBatches = defaultMaxBatches
	}
	tasks, m := program.NewTasks(a, append([]*facetdv1.Task{spec}, opt.Beside...))
	for _, part := range opt.Windows {
		if !(part > 0 && part <= 1) {
			m.Add("windows", fmt.Sprintf("%g is not a part of a window", part), "use parts above 0, at most 1")
		}
	}
	if spec.GetLeastInterval() != nil {
		m.Add("tasks[0].least_interval", "a sporadic task has no rate to explore", "explore a task with a rate")
	}
	if len(m) > 0 {
		return nil, m
	}
	x := &explorer{a: a, words: program.NewWords(a), asked: tasks[0], beside: tasks[1:], opt: opt}
	c, err := program.NewCompiler(x.words, tasks[0], program.Assumed(a, tasks))
	if err != nil {
		return nil, refused(err)
	}
	x.groups = c.Groups()
	out := &Exploration{Array: a.Name, Task: spec.GetName(), Chips: len(tasks[0].Chips), Points: []ExplorePoint{}}
	seen := map[ExplorePoint]bool{}
	for _, bin := range []int{1, 2, 4, 8} {
		for _, part := range opt.Windows {
			for _, p := range x.resolution(bin, part) {
				same := ExplorePoint{Rows: p.Rows, Columns: p.Columns, CellsPerPixel: p.CellsPerPixel,
					Batches: p.Batches}
				if !seen[same] && len(out.Points) < maxExplored {
					seen[same] = true
					out.Points = append(out.Points, p)
				}
			}
		}
	}
	markPareto(out.Points)
	return out, nil
}

// explorer tries one task.
type explorer struct {
	a      *chipmodel.Array
	words  *program.Words
	asked  *program.Task
	beside []*program.Task
	opt    ExploreOptions
	groups int // of chips that are read together
}

// resolution lists the points of one block and window; none where the chips cannot
// make it, or blocks do not make it coarser.
func (x *explorer) resolution(bin int, part float64) []ExplorePoint {
	if bin > 1 && !x.asked.Class.HasPatterns() {
		return nil
	}
	t, fewer := x.asked.Unlimited().Binned(x.a, bin, bin)
	if bin > 1 && !fewer {
		return nil
	}
	const parts = 1 << 12
	if t != nil && part < 1 {
		t = t.Cropped(x.a, int(math.Round(part*parts)), parts)
	}
	if t == nil {
		return nil
	}
	most := 1
	if t.Class.HasMemory() {
		most = min(x.groups, x.opt.MaxBatches)
	}
	w := t.Views[0].Window
	seen := func(n, step, block int) int { return (n-1)*step + block }
	shortest := int64(math.MaxInt64)
	var out []ExplorePoint
	for batches := 1; batches <= most; batches++ {
		p := ExplorePoint{
			BinRows: t.Views[0].BinRows, BinColumns: t.Views[0].BinColumns, WindowPart: part, Batches: batches,
			Rows: w.Rows, Columns: w.Columns,
			CellsPerPixel: w.RowStep * w.ColumnStep,
		}
		p.CellsSeen = seen(w.Rows, w.RowStep, p.BinRows) * seen(w.Columns, w.ColumnStep, p.BinColumns)
		for i := range t.Views {
			p.Pixels += t.Views[i].Window.Pixels()
		}
		if x.run(t, &p) && (batches == 1 || p.WorstHoldNS < shortest) {
			out = append(out, p)
			shortest = p.WorstHoldNS
		}
	}
	return out
}

// run finds a point's rate, hold and skew, and reports whether it fits at all.
func (x *explorer) run(t *program.Task, p *ExplorePoint) bool {
	opt := Options{MaxSegments: defaultMaxSegments, MaxHyperperiod: defaultMaxHyperperiod}
	pl, refusal := newPlanner(x.words, append([]*program.Task{t}, x.beside...), opt)
	if refusal != nil {
		return false
	}
	pl.states = rateStates
	prog, err := pl.compilers[0].Compile(p.Batches, 0)
	if err != nil {
		return false // these batches cannot be reached apart
	}
	pl.batches[0], pl.whole[0] = p.Batches, prog
	p.JobNS = int64(prog.Total())
	alone := math.Floor(1e15/float64(p.JobNS)) / 1e6 // a decimal whose period is no shorter than the job
	seen := prog.Follow(prog.BackToBack())
	p.RateHz, p.SkewNS, p.WorstHoldNS = alone, int64(seen.Skew()), int64(seen.WorstHold())
	p.ProvedHighest, p.SearchedTableNS = true, p.JobNS // a job takes the whole bus
	if len(x.beside) > 0 && !x.fit(pl, p, alone) {
		return false
	}
	over := func(v int64, limit time.Duration) bool { return limit > 0 && v > int64(limit) }
	p.WithinLimits = !over(p.SkewNS, x.asked.MaxSkew) && !over(p.WorstHoldNS, x.asked.MaxHold)
	return true
}

// fit finds the highest rate beside other tasks, and what the task sees there.
func (x *explorer) fit(pl *planner, p *ExplorePoint, alone float64) bool {
	pl.tasks[0] = pl.tasks[0].At(alone)
	best := newRemedies(pl).fittingRate(0, exploreWork)
	p.RateHz, p.ProvedHighest, p.SearchedTableNS = best.GetRateHz(), best.GetProvedHighest(), best.GetSearchedTableNs()
	if p.RateHz == 0 {
		return false
	}
	tasks := slices.Clone(pl.tasks)
	tasks[0] = tasks[0].At(p.RateHz)
	found := pl.search(tasks)
	if found == nil {
		return false
	}
	plan, err := pl.plan(found)
	if err != nil {
		return false
	}
	seen := plan.Message.GetPredictions()[0]
	p.RateHz = seen.GetPlannedRateHz()
	p.JobNS, p.SkewNS, p.WorstHoldNS = seen.GetJobNs(), seen.GetSkewNs(), seen.GetWorstHoldNs()
	return true
}

// dominates reports that p is as good as q in everything and better in something.
func (p *ExplorePoint) dominates(q *ExplorePoint) bool {
	better := []bool{
		p.RateHz > q.RateHz, p.CellsPerPixel < q.CellsPerPixel, p.CellsSeen > q.CellsSeen, p.SkewNS < q.SkewNS,
		p.WorstHoldNS < q.WorstHoldNS,
	}
	worse := p.RateHz < q.RateHz || p.CellsPerPixel > q.CellsPerPixel || p.CellsSeen < q.CellsSeen ||
		p.SkewNS > q.SkewNS || p.WorstHoldNS > q.WorstHoldNS
	return !worse && slices.Contains(better, true)
}

func markPareto(points []ExplorePoint) {
	for i := range points {
		points[i].Pareto = !slices.ContainsFunc(points, func(q ExplorePoint) bool { return q.dominates(&points[i]) })
	}
}
