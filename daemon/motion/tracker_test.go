package motion

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
)

func demo(t *testing.T) *chipmodel.Array {
	t.Helper()
	a, m := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

const period = int64(50_000_000)

// bed is a corrected frame set of a chip of the demo, whose picture moves right by columns a job.
func bed(job int64, columns float64, change func(*facetdv1.Frame)) *facetdv1.FrameSet {
	f := &facetdv1.Frame{Chip: "bed-1", View: "bed", Rows: 24, Columns: 48, SignificantBits: 12,
		Window:        &facetdv1.Window{Rows: 24, Columns: 48, RowStep: 1, ColumnStep: 1},
		CodeZeroVolts: 0.6, VoltsPerCode: 1.6 / 4096, LightBusNs: job*period + 7000,
		Corrections: []facetdv1.Correction{facetdv1.Correction_CORRECTION_LOG_RESPONSE}}
	for row := range 24 {
		f.RowOffsetNs = append(f.RowOffsetNs, int64(row)*100_000)
		for column := range 48 {
			x, y := float64(column)-columns*float64(job), float64(row)
			v := 2000 + 150*math.Cos(0.5*x+0.2*y) + 100*math.Cos(0.3*x-0.6*y+1)
			f.Data = binary.LittleEndian.AppendUint16(f.Data, uint16(math.Round(v)))
		}
	}
	if change != nil {
		change(f)
	}
	return &facetdv1.FrameSet{Task: "bed", TaskGeneration: 3, Job: uint64(job), ReleaseBusNs: job * period,
		Frames: []*facetdv1.Frame{f}}
}

func tracker(t *testing.T, counts *Counts) *Tracker {
	return NewTracker(demo(t), func(task string, generation uint64) []*facetdv1.View {
		if task != "bed" || generation != 3 {
			return nil
		}
		return []*facetdv1.View{{Name: "bed"}}
	}, counts)
}

// TestChipTells: what a chip tells is shift, rate, times and how the picture is, against what was drawn.
func TestChipTells(t *testing.T) {
	var counts Counts
	tr := tracker(t, &counts)
	if c := tr.Take(bed(0, 0.4, nil)).GetChips()[0]; c.GetReason() != facetdv1.MotionReason_MOTION_REASON_GAP {
		t.Errorf("the first frame: %v", c.GetReason())
	}
	e := tr.Take(bed(1, 0.4, nil))
	c := e.GetChips()[0]
	if c.GetReason() != facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED || c.GetPreviousJob() != 0 ||
		c.GetIntervalNs() != period || c.GetLightBusNs() != period+7000+1_150_000 {
		t.Fatalf("the second: %v", c)
	}
	if math.Abs(c.GetShiftXPx()-0.4) > 0.005 || math.Abs(c.GetShiftYPx()) > 0.005 {
		t.Errorf("shift %.4f, %.4f", c.GetShiftXPx(), c.GetShiftYPx())
	}
	// Over 36 degrees and 48 columns, rectilinear: 0.4 columns on the axis are so many radians. The chip looks 15
	// degrees to the left and 48 down; what it sees moved right, so it turned left about its own upward axis.
	angle := 0.4 * 2 * math.Tan(18*math.Pi/180) / 48
	sin, cos := math.Sincos(48 * math.Pi / 180)
	up := [3]float64{sin * math.Cos(15*math.Pi/180), sin * math.Sin(15*math.Pi/180), cos}
	for k, want := range up {
		if got, want := c.GetRateRadPerS()[k], want*angle/0.05; math.Abs(got-want) > 0.06*angle/0.05 {
			t.Errorf("rate %d: %.5f rad/s, want %.5f", k, got, want)
		}
	}
	if b := e.GetBody(); !b.GetTold() || math.Abs(float64(b.GetBusNs()-(period/2+7000+1_150_000))) > 1 {
		t.Errorf("body: %v", b)
	}
	if s := counts.Stats(); s.Estimates != 1 || s.Refused["gap"] != 1 {
		t.Errorf("counts: %+v", s)
	}
}

// TestPairsAreComparedByThemselves: of a set with pairs the two frames of each are compared, with the time between
// them,
// and none with one of another job; where the first is missing its part, the pair tells nothing.
func TestPairsAreComparedByThemselves(t *testing.T) {
	tr := tracker(t, &Counts{})
	pair := func(job int64, first func(*facetdv1.Frame)) *facetdv1.FrameSet {
		fs := bed(10*job, 0.4, first) // ten jobs on, the picture is four columns further
		second := bed(10*job+1, 0.4, func(f *facetdv1.Frame) {
			f.SecondOfPair, f.LightBusNs = true, 10*job*period+7000+3_000_000
		}).GetFrames()[0]
		fs.Frames, fs.Job = append(fs.Frames, second), uint64(job)
		return fs
	}
	for job := range int64(3) {
		e := tr.Take(pair(job, nil))
		if len(e.GetChips()) != 1 || len(e.GetBody().GetChips()) != 1 {
			t.Fatalf("job %d: %v", job, e)
		}
		c := e.GetChips()[0]
		if c.GetReason() != 0 || c.PreviousJob == nil || c.GetPreviousJob() != uint64(job) ||
			c.GetIntervalNs() != 3_000_000 || math.Abs(c.GetShiftXPx()-0.4) > 0.005 {
			t.Errorf("job %d: %v", job, c)
		}
	}
	for _, broken := range []func(*facetdv1.Frame){
		func(f *facetdv1.Frame) { f.Data = f.Data[2:] },
	} {
		c := tr.Take(pair(3, broken)).GetChips()[0]
		if c.GetReason() != facetdv1.MotionReason_MOTION_REASON_GAP {
			t.Errorf("half of a pair: %v", c)
		}
	}
	if c := tr.Take(pair(4, nil)).GetChips()[0]; c.GetReason() != 0 {
		t.Errorf("the pair after that: %v", c)
	}
}

// TestWhyNothingIsTold: every reason that the daemon finds by itself, and that the next pair is whole again.
func TestWhyNothingIsTold(t *testing.T) {
	data := func(v uint16) func(*facetdv1.Frame) {
		return func(f *facetdv1.Frame) {
			for i := range len(f.Data) / 2 {
				binary.LittleEndian.PutUint16(f.Data[2*i:], v)
			}
		}
	}
	for _, c := range []struct {
		name   string
		job    int64
		change func(*facetdv1.Frame)
		fail   string
		want   facetdv1.MotionReason
	}{
		{"raw", 2, func(f *facetdv1.Frame) { f.Corrections = nil }, "",
			facetdv1.MotionReason_MOTION_REASON_NOT_CORRECTED},
		{"late by seconds", 80, nil, "", facetdv1.MotionReason_MOTION_REASON_GAP},
		{"failed", 2, nil, "the bus was stopped", facetdv1.MotionReason_MOTION_REASON_GAP},
		{"clipped", 2, data(4095), "", facetdv1.MotionReason_MOTION_REASON_CLIPPED},
		{"another scale", 2, func(f *facetdv1.Frame) { f.VoltsPerCode *= 2 }, "",
			facetdv1.MotionReason_MOTION_REASON_GAP},
		// At a hundredth of a lux the photocurrent of these pixels takes seconds to charge their nodes.
		{"dim", 2, data(1), "", facetdv1.MotionReason_MOTION_REASON_DIM},
		{"unknown view", 2, func(f *facetdv1.Frame) { f.View = "other" }, "",
			facetdv1.MotionReason_MOTION_REASON_GAP},
	} {
		tr := tracker(t, &Counts{})
		tr.Take(bed(0, 0.4, nil))
		tr.Take(bed(1, 0.4, nil))
		fs := bed(c.job, 0.4, c.change)
		fs.Failure = c.fail
		got := tr.Take(fs)
		if r := got.GetChips()[0].GetReason(); r != c.want {
			t.Errorf("%s: %v, want %v", c.name, r, c.want)
		}
		if got.GetBody().GetTold() {
			t.Errorf("%s: the body is told of by nothing", c.name)
		}
		if _, err := proto.Marshal(got); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	flat := tracker(t, &Counts{})
	flat.Take(bed(0, 0, data(2000)))
	if r := flat.Take(bed(1, 0, data(2000))).GetChips()[0].GetReason(); r != facetdv1.MotionReason_MOTION_REASON_FLAT {
		t.Errorf("flat light: %v", r)
	}
}

// TestARawFrameIsNotComparedWithACorrectedOne: when a correction map comes into use, the frame before shows the fixed
// pattern still, which stands where it is.
func TestARawFrameIsNotComparedWithACorrectedOne(t *testing.T) {
	tr := tracker(t, &Counts{})
	tr.Take(bed(0, 0.4, func(f *facetdv1.Frame) { f.Corrections = nil }))
	if r := tr.Take(bed(1, 0.4, nil)).GetChips()[0].GetReason(); r != facetdv1.MotionReason_MOTION_REASON_GAP {
		t.Errorf("the first corrected frame: %v", r)
	}
	if r := tr.Take(bed(2, 0.4, nil)).GetChips()[0].GetReason(); r != 0 {
		t.Errorf("the second: %v", r)
	}
}

// TestViewsWithoutANameAreKnown: frames of a task that names no views, or has none, tell of motion as others do.
func TestViewsWithoutANameAreKnown(t *testing.T) {
	for _, views := range [][]*facetdv1.View{nil, {{}}, {{Name: "view-1"}}} {
		tasks := []*facetdv1.RunningTask{{Task: &facetdv1.Task{Name: "bed", Views: views}, Generation: 3}}
		tr := New(Config{Array: demo(t), Tasks: func() []*facetdv1.RunningTask { return tasks }}).Tracker()
		var c *facetdv1.ChipMotion
		for job := range int64(2) {
			c = tr.Take(bed(job, 0.4, func(f *facetdv1.Frame) { f.View = "view-1" })).GetChips()[0]
		}
		if c.GetReason() != 0 || math.Abs(c.GetShiftXPx()-0.4) > 0.005 {
			t.Errorf("%v: %v", views, c)
		}
	}
}

// TestTasksThatAreGoneAreForgotten: a stream holds no more than the tasks whose frames may still be compared.
func TestTasksThatAreGoneAreForgotten(t *testing.T) {
	known := map[string]bool{}
	k := NewTracker(demo(t), func(task string, generation uint64) []*facetdv1.View {
		if known[fmt.Sprint(task, generation)] {
			return []*facetdv1.View{{Name: "bed"}}
		}
		return nil
	}, &Counts{})
	take := func(task string, generation uint64, job int64) *facetdv1.ChipMotion {
		fs := bed(job, 0.5, nil)
		fs.Task, fs.TaskGeneration = task, generation
		return k.Take(fs).GetChips()[0]
	}
	known["bed3"], known["slow4"] = true, true
	take("bed", 3, 0)
	take("slow", 4, 0)
	for i := range int64(50) {
		take(fmt.Sprint("gone-", i), 9, 0)
		take("bed", 3, 2*i+100)
		if len(k.tasks) > 3 {
			t.Fatalf("%d tasks are kept after %d were gone", len(k.tasks), i+1)
		}
	}
	// One that is known is kept however seldom it comes.
	if c := take("slow", 4, 100); c.GetPreviousJob() != 0 || c.GetIntervalNs() != 100*period {
		t.Errorf("a slow task: %v", c)
	}
	delete(known, "bed3")
	known["bed5"] = true
	take("bed", 5, 200)
	if w := k.tasks["bed"]; w.generation != 5 || len(w.eyes) != 1 {
		t.Errorf("generation %d with %d eyes", w.generation, len(w.eyes))
	}
}

// TestQueueKeepsTheNewest: of each task up to its length, and every loss counted.
func TestQueueKeepsTheNewest(t *testing.T) {
	q := queue{length: 2}
	for i := range 5 {
		q.put(&facetdv1.MotionEstimate{Task: "a", Job: uint64(i)})
	}
	q.put(&facetdv1.MotionEstimate{Task: "b", Job: 9})
	if q.dropped != 3 || len(q.list) != 3 {
		t.Fatalf("%d dropped, %d left", q.dropped, len(q.list))
	}
	for _, want := range []uint64{3, 4, 9} {
		if got := q.shift().GetJob(); got != want {
			t.Errorf("job %d, want %d", got, want)
		}
	}
}

// TestAnEstimateIsThereWithinAMillisecond: what lies between a frame set and its estimate is the work of the tracker
// alone: that of four chips of 24 x 48 pixels, more than any task of the demo has. The time is demanded with all cases
// only, as a slow machine or the race detector makes each of the tries longer.
func TestAnEstimateIsThereWithinAMillisecond(t *testing.T) {
	tr := tracker(t, &Counts{})
	var sets []*facetdv1.FrameSet
	for job := range int64(40) {
		fs := bed(job, 0.4, nil)
		for _, chip := range []string{"bed-0", "bed-2", "bed-3"} {
			f := proto.CloneOf(fs.GetFrames()[0])
			f.Chip = chip
			fs.Frames = append(fs.Frames, f)
		}
		sets = append(sets, fs)
	}
	shortest := time.Hour
	for _, fs := range sets {
		began := time.Now()
		e := tr.Take(fs)
		if took := time.Since(began); fs.GetJob() > 0 {
			shortest = min(shortest, took)
			if e.GetChips()[3].GetReason() != 0 {
				t.Fatalf("job %d: %v", fs.GetJob(), e)
			}
		}
	}
	t.Logf("%v", shortest)
	if peertest.All() && shortest > time.Millisecond {
		t.Errorf("an estimate of four chips takes %v", shortest)
	}
}

// TestTextureAboveWhatTheCorrectionLeaves: faint texture is told where the correction leaves little of the fixed
// pattern, and not where it leaves as much as there is texture; where nobody knows, as if it left as much as noise is.
func TestTextureAboveWhatTheCorrectionLeaves(t *testing.T) {
	pattern := func(codes float64) *float64 { return &codes }
	for i, c := range []struct {
		contrast float64
		left     *float64
		want     facetdv1.MotionReason
	}{
		{0.55, pattern(0.05), facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED},
		{0.55, nil, facetdv1.MotionReason_MOTION_REASON_FLAT},
		{0.55, pattern(0.6), facetdv1.MotionReason_MOTION_REASON_FLAT},
		{3, nil, facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED},
		{3, pattern(0.6), facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED},
		{3, pattern(4), facetdv1.MotionReason_MOTION_REASON_FLAT},
	} {
		tr, rng := tracker(t, &Counts{}), rand.New(rand.NewPCG(3, 3))
		var got *facetdv1.ChipMotion
		for job := range int64(2) {
			got = tr.Take(bed(job, 0.4, func(f *facetdv1.Frame) {
				f.FixedPatternCodes = c.left
				for i := range len(f.Data) / 2 {
					x, y := float64(i%48)-0.4*float64(job), float64(i/48)
					v := 2000 + c.contrast*math.Cos(0.6*x+0.5*y) + 0.3*rng.NormFloat64()
					binary.LittleEndian.PutUint16(f.Data[2*i:], uint16(math.Round(v)))
				}
			})).GetChips()[0]
		}
		if got.GetReason() != c.want {
			t.Errorf("contrast of %g codes, case %d: %v, texture %.2f", c.contrast, i, got.GetReason(),
				got.GetTexture())
		}
	}
}

// TestOnlookersForgetTasksThatAreGone: a stream to onlookers knows when the last estimate of each task was sent, and of
// no more tasks than there are; those that are there still are not sent more often when others come and go.
func TestOnlookersForgetTasksThatAreGone(t *testing.T) {
	var running []*facetdv1.RunningTask
	w := &watcher{s: New(Config{Array: demo(t), Tasks: func() []*facetdv1.RunningTask { return running }}),
		sent: map[string]int64{}, every: time.Second}
	for i := range 100 {
		running = nil
		for _, name := range []string{"stays", fmt.Sprint("renamed-", i)} {
			running = append(running, &facetdv1.RunningTask{Task: &facetdv1.Task{Name: name}})
			e := &facetdv1.MotionEstimate{Task: name, FinishBusNs: int64(i) * int64(500*time.Millisecond)}
			if due := w.due(e); due != (name != "stays" || i%2 == 0) {
				t.Errorf("%s, estimate %d: due %v", name, i, due)
			}
		}
		if len(w.sent) > 3 {
			t.Fatalf("%d tasks are kept after %d were gone", len(w.sent), i)
		}
	}
}
