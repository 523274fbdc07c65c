package dispatch

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// exposing is a task of the memory chips of an array of linear pixels, with an exposure that moves.
func exposing(rate float64) *facetdv1.Task {
	return &facetdv1.Task{Name: "bow", Target: list("m0", "m1", "m2"), RateHz: rate, Views: []*facetdv1.View{
		{Name: "fine", Exposure: durationpb.New(100 * time.Microsecond), Movable: &facetdv1.Movable{
			Exposure: &facetdv1.ExposureBounds{Low: durationpb.New(20 * time.Microsecond),
				High: durationpb.New(800 * time.Microsecond)}}},
		{Name: "spot", Window: &facetdv1.Window{Rows: 1, Columns: 2}},
	}}
}

func setExposure(ctx context.Context, d *Dispatcher, exposure time.Duration) (*facetdv1.SetTaskParametersResponse,
	error) {
	return d.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "bow",
		Views: []*facetdv1.ViewParameters{{View: "fine", Exposure: durationpb.New(exposure)}}})
}

func linearOnGrain(t *testing.T, grain time.Duration) *chipmodel.Array {
	t.Helper()
	a, err := bustest.MustLinearArray().OnGrain(grain)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestAnExposureFollowsAList: an exposure is set anew between the jobs of a task, beside another task. The answer says
// what it was rounded up to and the first job that has it; that job's frames say so, are of the light in the middle of
// it, and are as bright as so much light makes them; every job of both tasks runs exactly when the plan says.
func TestAnExposureFollowsAList(t *testing.T) {
	for _, grain := range []time.Duration{1, 125} {
		t.Run(fmt.Sprint(grain), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { followExposures(t, grain) })
		})
	}
}

func followExposures(t *testing.T, grain time.Duration) {
	a := linearOnGrain(t, grain)
	seen := &atStarts{task: "bow", read: map[uint64]chipmodel.Window{}}
	r := newRigOf(t, a, realtime, 0, seen.intercept, exposing(50), countTask(70))
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	rng := rand.New(rand.NewPCG(1, 2))
	want := map[uint64]time.Duration{} // by first job
	time.Sleep(31 * time.Millisecond)
	for range 40 {
		asked := 20*time.Microsecond + time.Duration(rng.IntN(780_001))
		got, err := setExposure(ctx, r.Dispatcher, asked)
		if err != nil {
			t.Fatal(err)
		}
		exposure := a.Up(asked)
		if v := got.GetViews(); len(v) != 1 || v[0].GetView() != "fine" || v[0].GetExposure().AsDuration() != exposure {
			t.Fatalf("the answer is %v, set was %v", got, asked)
		}
		want[got.GetFirstJob()] = exposure
		time.Sleep(20 * time.Millisecond)
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if len(want) < 40 {
		t.Errorf("%d jobs were the first of something", len(want))
	}
	exposuresSeen(t, a, r.watch.of("bow"), want)
	onTheirPlaces(t, r, seen.spans)
	for _, fs := range r.watch.of("count") {
		if fs.GetFailure() != "" && fs.GetFailure() != "the daemon stopped" || fs.GetLate() {
			t.Errorf("the other task: job %d late %v, %q", fs.GetJob(), fs.GetLate(), fs.GetFailure())
		}
	}
}

// TestAnExposureThatIsNoDuration: what the schema of durations does not allow is refused by name, also where it comes
// to a time within the bounds.
func TestAnExposureThatIsNoDuration(t *testing.T) {
	r := newRigOf(t, wideShutter(), free, 0, nil, exposedTask(50, nil))
	for _, d := range []*durationpb.Duration{{Seconds: 1, Nanos: -999_000_000}, {Nanos: 1_000_000_000},
		{Seconds: math.MaxInt64}, {Seconds: math.MinInt64}} {
		_, err := r.SetParameters(t.Context(), &facetdv1.SetTaskParametersRequest{Task: "auto",
			Views: []*facetdv1.ViewParameters{{Exposure: d}}})
		var m invalid.Errors
		if !errors.As(err, &m) || len(m) != 1 || m[0].Path != "views[0].exposure" ||
			!strings.Contains(m[0].Message, "not a valid duration") {
			t.Errorf("%v: %v", d, err)
		}
	}
}

// exposuresSeen holds frame sets against the exposures that were set, by the first job that has each. Light of 100 lux
// brings 80 electrons a microsecond, each of 15 uV below 2.4 V.
func exposuresSeen(t *testing.T, a *chipmodel.Array, sets []*facetdv1.FrameSet, want map[uint64]time.Duration) {
	t.Helper()
	if len(sets) < len(want) {
		t.Errorf("%d sets for %d exposures", len(sets), len(want))
	}
	now := a.Up(100 * time.Microsecond)
	for _, fs := range sets {
		if exposure, set := want[fs.GetJob()]; set {
			now = exposure
		}
		if fs.GetFailure() != "" {
			continue
		}
		for i, f := range fs.GetFrames() {
			load := f.GetLightBusNs() + now.Nanoseconds()/2
			if f.GetExposureNs() != now.Nanoseconds() || fs.GetLate() || f.GetTrim() != nil ||
				load+f.GetHoldNs() > f.GetLastConvertedBusNs() ||
				load != fs.GetFrames()[i%3].GetLightBusNs()+now.Nanoseconds()/2 {
				t.Fatalf("job %d: late %v, exposed for %d ns, light of %d ns, set was %v", fs.GetJob(), fs.GetLate(),
					f.GetExposureNs(), f.GetLightBusNs(), now)
			}
			electrons := 80 * float64(now) / 1000
			pixels := float64(f.GetRows() * f.GetColumns())
			sigma := 15e-6*math.Sqrt((electrons+100)/pixels) + f.GetVoltsPerCode()
			if got, expect := meanVolts(f), 2.4-15e-6*electrons; math.Abs(got-expect) > 6*sigma {
				t.Fatalf("job %d: %s shows %.4f V after %v, want %.4f within %.4f", fs.GetJob(), f.GetChip(), got, now,
					expect, 6*sigma)
			}
		}
	}
}

func meanVolts(f *facetdv1.Frame) float64 {
	var sum float64
	for i := 0; i < len(f.GetData()); i += 2 {
		sum += f.GetCodeZeroVolts() + f.GetVoltsPerCode()*float64(int(f.GetData()[i])|int(f.GetData()[i+1])<<8)
	}
	return sum / float64(len(f.GetData())/2)
}

// onTheirPlaces holds the spans of all segments of the first task against the plan.
func onTheirPlaces(t *testing.T, r *rig, spans [][2]bus.Time) {
	t.Helper()
	plan := r.runner.tab.plan
	places := map[time.Duration]time.Duration{}
	for _, e := range plan.Entries {
		if e.Task == 0 {
			places[e.Start] = e.End - e.Start
		}
	}
	matched := 0
	for _, span := range spans {
		length, planned := places[span[0].Sub(r.runner.tab.epoch)%plan.Hyperperiod]
		if !planned {
			t.Errorf("a segment ran at %d ns, where none is planned", span[0])
		}
		if span[1].Sub(span[0]) == length {
			matched++
		}
	}
	// The last may have been broken off.
	if matched < len(spans)-1 || matched < 40 {
		t.Errorf("%d of %d segments ran as long as planned", matched, len(spans))
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// TestExposuresThatCannotBeSet are refused with the bounds, and nothing is set.
func TestExposuresThatCannotBeSet(t *testing.T) {
	r := newRigOf(t, linearOnGrain(t, 125), free, 100*time.Millisecond, nil, exposing(50))
	for asked, says := range map[time.Duration]string{
		19875:                    "19.875µs is outside its bounds",
		800*time.Microsecond + 1: "800.001µs is outside its bounds",
		-1:                       "-1ns is outside its bounds",
	} {
		_, err := setExposure(t.Context(), r.Dispatcher, asked)
		var m invalid.Errors
		if !errors.As(err, &m) || len(m) != 1 || m[0].Path != "views[0].exposure" || m[0].Message != says ||
			!strings.Contains(m[0].Hint, "20µs to 800µs") {
			t.Errorf("%v: %v", asked, err)
		}
	}
	_, err := r.SetParameters(t.Context(), &facetdv1.SetTaskParametersRequest{Task: "bow",
		Views: []*facetdv1.ViewParameters{{View: "spot", Exposure: durationpb.New(100 * time.Microsecond)}}})
	if err == nil || !strings.Contains(err.Error(), "does not say that it may be set") {
		t.Errorf("the exposure of the other view: %v", err)
	}
	if got := r.Snapshot().Tasks[0].GetParameters(); len(got) != 1 ||
		got[0].GetExposure().AsDuration() != 100*time.Microsecond {
		t.Errorf("the task shows %v", got)
	}
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// TestBoundsBetweenTwoGrains may be asked for as they were given: what is asked for is rounded up as they are.
func TestBoundsBetweenTwoGrains(t *testing.T) {
	task := exposing(50)
	task.Views[0].Movable.Exposure = &facetdv1.ExposureBounds{Low: durationpb.New(20_050),
		High: durationpb.New(800_001)}
	r := newRigOf(t, linearOnGrain(t, 125), free, 100*time.Millisecond, nil, task)
	for asked, want := range map[time.Duration]time.Duration{20_050: 20_125, 20_125: 20_125, 800_001: 800_125,
		800_125: 800_125, 20_000: 0, 800_126: 0} {
		got, err := setExposure(t.Context(), r.Dispatcher, asked)
		if (err == nil) != (want > 0) || err == nil && got.GetViews()[0].GetExposure().AsDuration() != want {
			t.Errorf("%v: %v, %v", asked, got, err)
		}
	}
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// TestCapturesHaveTheirExposure: an on-demand capture beside a task of other exposures says and shows its own, and one
// that says nothing has that of the class.
func TestCapturesHaveTheirExposure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRigOf(t, bustest.MustLinearArray(), realtime, 0, nil, exposing(50))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(40 * time.Millisecond)
		for _, exposure := range []time.Duration{300 * time.Microsecond, 0, 50 * time.Microsecond} {
			v := &facetdv1.View{}
			if exposure > 0 {
				v.Exposure = durationpb.New(exposure)
			} else {
				exposure = 100 * time.Microsecond
			}
			c, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("m0"), Views: []*facetdv1.View{v}})
			if err != nil {
				t.Fatal(err)
			}
			f := c.FrameSet.GetFrames()[0]
			want := 2.4 - 15e-6*80*float64(exposure)/1000
			if got := meanVolts(f); f.GetExposureNs() != exposure.Nanoseconds() || math.Abs(got-want) > 0.01 {
				t.Errorf("exposed for %v: the frame says %d ns and shows %.3f V, want %.3f", exposure,
					f.GetExposureNs(),
					got, want)
			}
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// TestExposuresOutliveOtherChanges: what was set stays when another task is added, and a task whose bounds are changed
// begins with its own again.
func TestExposuresOutliveOtherChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRigOf(t, bustest.MustLinearArray(), realtime, 0, nil, exposing(50))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(30 * time.Millisecond)
		if _, err := setExposure(ctx, r.Dispatcher, 700*time.Microsecond); err != nil {
			t.Fatal(err)
		}
		shows := func(want time.Duration) {
			t.Helper()
			if p := r.Snapshot().Tasks[0].GetParameters(); len(p) != 1 || p[0].GetExposure().AsDuration() != want {
				t.Errorf("the task shows %v, want %v", p, want)
			}
		}
		if _, err := r.AddTask(ctx, countTask(30)); err != nil {
			t.Fatal(err)
		}
		shows(700 * time.Microsecond)
		changed := proto.CloneOf(exposing(50))
		changed.Views[0].Movable.Exposure.High = durationpb.New(600 * time.Microsecond)
		if _, err := r.UpdateTask(ctx, changed); err != nil {
			t.Fatal(err)
		}
		shows(100 * time.Microsecond)
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	})
}
