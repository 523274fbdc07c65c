package dispatch

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
)

// stairs is light that is the same everywhere, and another every so often.
type stairs struct {
	lux   []float64
	every time.Duration
}

func (stairs) Name() string { return "stairs" }

func (s stairs) Row(dst []float64, _ *scene.View, _ int, at bustime.Time) {
	n := min(max(int(at.Elapsed()/s.every), 0), len(s.lux)-1)
	for i := range dst {
		dst[i] = s.lux[n]
	}
}

// lit runs tasks for some bus time under a light, at the pace of the bubble's clock, with a client beside it if there
// is one.
func lit(t *testing.T, a *chipmodel.Array, light scene.Scene, lasts time.Duration, client func(context.Context, *rig),
	tasks ...*facetdv1.Task) *rig {
	t.Helper()
	b, err := virtual.New(virtual.Config{Array: a, Scene: light, Pace: realtime, Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{bus: b, watch: &watcher{}}
	r.Dispatcher, err = New(Config{Array: a, Bus: b, Observer: r.watch, Logger: zap.NewNop(), Inspector: b.Inspector(),
		Tasks: tasks, StopAt: bus.Time(lasts)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	left := make(chan struct{})
	go func() {
		defer close(left)
		if client != nil {
			client(ctx, r)
		}
	}()
	if err := r.Run(ctx); err != nil {
		t.Error(err)
	}
	cancel()
	<-left
	for _, task := range tasks {
		for _, fs := range r.watch.of(task.GetName()) {
			if fs.GetLate() || fs.GetFailure() != "" {
				t.Fatalf("job %d of %s: late %v, %q", fs.GetJob(), task.GetName(), fs.GetLate(), fs.GetFailure())
			}
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
	return r
}

// decades is light over four decades.
var decades = stairs{lux: []float64{800, 8, 80_000, 80, 8000, 8, 800, 80_000, 8}, every: 1200 * time.Millisecond}

// wideShutter is the test array of linear pixels with exposures over more than four decades.
func wideShutter() *chipmodel.Array {
	msg := bustest.LinearMessage()
	shutter := msg.Classes[0].GetLinear().GetShutter()
	shutter.Least, shutter.Most = durationpb.New(600), durationpb.New(12*time.Millisecond)
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		panic(m)
	}
	return a
}

// exposedTask is a task of which the exposure may be set over four decades.
func exposedTask(rate float64, automatic *facetdv1.AutomaticExposure) *facetdv1.Task {
	return &facetdv1.Task{Name: "auto", Target: list("m0", "m1", "m2"), RateHz: rate, Views: []*facetdv1.View{{
		Exposure: durationpb.New(100 * time.Microsecond), Automatic: automatic, Movable: &facetdv1.Movable{
			Exposure: &facetdv1.ExposureBounds{Low: durationpb.New(700), High: durationpb.New(10 * time.Millisecond)}},
	}}}
}

// level is the mean of a frame set's frames as a part of the signal that is wanted, 0.9 V below 2.4 V.
func level(fs *facetdv1.FrameSet) float64 {
	var sum float64
	for _, f := range fs.GetFrames() {
		sum += (2.4 - meanVolts(f)) / 0.9
	}
	return sum / float64(len(fs.GetFrames()))
}

// settling is after how many jobs of each light all further jobs are within a tenth of the level.
func settling(sets []*facetdv1.FrameSet, s stairs) []int {
	out, n, now := make([]int, len(s.lux)), 0, -1
	for _, fs := range sets {
		f := fs.GetFrames()[0]
		begun := bus.Time(f.GetLightBusNs() - f.GetExposureNs()/2).Elapsed()
		if at := min(int(begun/s.every), len(s.lux)-1); at != now {
			now, n = at, 0
		}
		n++
		if math.Abs(level(fs)-1) > 0.1 {
			out[now] = n
		}
	}
	return out
}

// TestAutomaticExposureThroughFourDecades: after each step of the light the sixth job in it is at the level, and every
// further one, beside another task and with none late. A client that does the same with SetTaskParameters is no faster.
func TestAutomaticExposureThroughFourDecades(t *testing.T) {
	lasts := time.Duration(len(decades.lux)) * decades.every
	var daemon, client []int
	synctest.Test(t, func(t *testing.T) {
		r := lit(t, wideShutter(), decades, lasts, nil, exposedTask(50, &facetdv1.AutomaticExposure{Level: 0.5}),
			countTask(70))
		sets := r.watch.of("auto")
		if len(sets) < 500 {
			t.Errorf("%d jobs", len(sets))
		}
		daemon = settling(sets, decades)
		if p := r.Snapshot().Tasks[0].GetParameters(); len(p) != 1 ||
			math.Abs(p[0].GetExposure().AsDuration().Seconds()/9.4e-3-1) > 0.1 {
			t.Errorf("the task shows %v, the last light asks for 9.4 ms", p)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		r := lit(t, wideShutter(), decades, lasts, followLight, exposedTask(50, nil), countTask(70))
		client = settling(r.watch.of("auto"), decades)
	})
	for i := range daemon {
		if daemon[i] > 5 || daemon[i] > client[i] {
			t.Errorf("light %d, %g lx: settled after %d jobs, the client's after %d", i, decades.lux[i], daemon[i],
				client[i])
		}
	}
	t.Logf("jobs that were not at the level: %v, by a client %v", daemon, client)
}

// TestAutomaticExposureAhead: where jobs are handed over ahead of time those under way come to one exposure, and the
// next ones do not go to and fro between several that are all near enough.
func TestAutomaticExposureAhead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		light := stairs{lux: []float64{800, 8, 80_000}, every: 1200 * time.Millisecond}
		b, err := virtual.New(virtual.Config{Array: wideShutter(), Scene: light, Pace: realtime, Seed: 7,
			Limits: far["50 ms, a queue of sixteen"]})
		if err != nil {
			t.Fatal(err)
		}
		r := &rig{bus: b, watch: &watcher{}}
		r.Dispatcher, err = New(Config{Array: wideShutter(), Bus: b, Observer: r.watch, Logger: zap.NewNop(),
			Inspector: b.Inspector(), StopAt: bus.Time(len(light.lux)) * bus.Time(light.every),
			Tasks: []*facetdv1.Task{exposedTask(50, &facetdv1.AutomaticExposure{Level: 0.5})}})
		if err != nil {
			t.Fatal(err)
		}
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		for i, lux := range light.lux {
			end := bus.Time(i+1)*bus.Time(light.every) - bus.Time(100*time.Millisecond)
			var exposures []int64
			for _, fs := range r.watch.of("auto") {
				if at := bus.Time(fs.GetReleaseBusNs()); at < end-bus.Time(400*time.Millisecond) || at > end {
					continue
				}
				exposures = append(exposures, fs.GetFrames()[0].GetExposureNs())
				if math.Abs(level(fs)-1) > 0.06 {
					t.Errorf("%g lx: job %d shows %.3f of the level", lux, fs.GetJob(), level(fs))
				}
			}
			if n := len(slices.Compact(slices.Clone(exposures))); len(exposures) < 15 || n > 2 {
				t.Errorf("%g lx: the exposures of the last jobs are %v", lux, exposures)
			}
		}
	})
}

// followLight is a client that sets the exposure anew after each job.
func followLight(ctx context.Context, r *rig) {
	for seen := 0; ctx.Err() == nil; time.Sleep(time.Millisecond) {
		sets := r.watch.of("auto")
		if len(sets) == seen {
			continue
		}
		seen = len(sets)
		last := sets[seen-1]
		factor := 1 / max(level(last), 1.0/64)
		if level(last) > 1.6 { // saturated
			factor = 1.0 / 64
		}
		exposure := time.Duration(float64(last.GetFrames()[0].GetExposureNs()) * factor)
		exposure = min(max(exposure, 700), 10*time.Millisecond)
		_, _ = r.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "auto",
			Views: []*facetdv1.ViewParameters{{Exposure: durationpb.New(exposure)}}}) // the test sees what came of it
	}
}

// TestAutomaticExposureUnderFlicker: under 100 Hz light the exposures of all rates are within a fifth of each other
// once flicker has been averaged for a second.
func TestAutomaticExposureUnderFlicker(t *testing.T) {
	light, err := scene.Flicker(scene.Uniform(2000), 50, 0.3)
	if err != nil {
		t.Fatal(err)
	}
	for _, rate := range []float64{24, 30, 49, 66, 90} {
		synctest.Test(t, func(t *testing.T) {
			r := lit(t, wideShutter(), light, 3*time.Second, nil,
				exposedTask(rate, &facetdv1.AutomaticExposure{Level: 0.5}))
			low, high := math.Inf(1), 0.0
			for _, fs := range r.watch.of("auto")[int(rate):] {
				e := float64(fs.GetFrames()[0].GetExposureNs())
				low, high = min(low, e), max(high, e)
			}
			if high/low > 1.2 || low < 30_000 || high > 46_000 { // 37.5 us are right in the mean
				t.Errorf("%g Hz: exposures of %.1f to %.1f us", rate, low/1000, high/1000)
			}
		})
	}
}

// gained is light over four decades, for a chip with an amplifier.
var gained = stairs{lux: []float64{10, 1000, 0.1, 100, 1, 1000}, every: 1200 * time.Millisecond}

// gainTask is a task of which gain and offset may be set.
func gainTask(automatic *facetdv1.AutomaticExposure) *facetdv1.Task {
	return &facetdv1.Task{Name: "auto", Target: list("t0"), RateHz: 50, Views: []*facetdv1.View{{
		Automatic: automatic, Movable: &facetdv1.Movable{GainIndex: bounds(0, 2), Offset: bounds(-128, 127)}}}}
}

// TestAutomaticGain: gain and offset of a chip with an amplifier follow the light over four decades; frames say which
// were active, and their codes are about the level after five jobs. A client that does the same with SetTaskParameters,
// and knows the amplifier, is faster by one job at most, and not over all lights.
func TestAutomaticGain(t *testing.T) {
	msg := bustest.Message()
	msg.Classes[2].Amplifier.OffsetStepVolts = proto.Float64(0.008)
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	run := func(client func(context.Context, *rig), automatic *facetdv1.AutomaticExposure) (settled []int, trims int) {
		synctest.Test(t, func(t *testing.T) {
			r := lit(t, a, gained, time.Duration(len(gained.lux))*gained.every, client, gainTask(automatic),
				memTask(30))
			settled, trims = gainSettling(r.watch.of("auto"))
		})
		return settled, trims
	}
	daemon, trims := run(nil, &facetdv1.AutomaticExposure{Level: 0.5})
	client, _ := run(followByGain, nil)
	faster := 0 // jobs by which the client is
	for i := range daemon {
		if faster += daemon[i] - client[i]; daemon[i] > 5 || daemon[i] > client[i]+1 {
			t.Errorf("light %d, %g lx: settled after %d jobs, the client's after %d", i, gained.lux[i], daemon[i],
				client[i])
		}
	}
	if faster > 0 {
		t.Errorf("the client needs %d jobs less in all", faster)
	}
	if trims < len(gained.lux) {
		t.Errorf("%d trims", trims)
	}
	t.Logf("jobs that were not at the level: %v, by a client %v", daemon, client)
}

// gainSettling is after how many jobs of each light all further jobs are within a tenth of the range about the level,
// and nothing is clipped; and how many trims there were.
func gainSettling(sets []*facetdv1.FrameSet) (settled []int, trims int) {
	settled = make([]int, len(gained.lux))
	now, n, seen := -1, 0, map[string]bool{}
	for _, fs := range sets {
		f := fs.GetFrames()[0]
		if at := int(bus.Time(f.GetFirstSampleBusNs()).Elapsed() / gained.every); at != now {
			now, n = at, 0
		}
		seen[fmt.Sprint(f.GetTrim())] = true
		if n++; math.Abs((meanVolts(f)-1.5)/2) > 0.1 || f.GetClippedLow()+f.GetClippedHigh() > 0 {
			settled[now] = n
		}
	}
	return settled, len(seen)
}

// followByGain is a client that works out after each job what the amplifier is given, and sets the highest gain whose
// offset takes that to the middle of the range.
func followByGain(ctx context.Context, r *rig) {
	const mid, step, middle = 1.2, 0.008, 1.5
	gains := []float64{1, 2, 4}
	for seen := 0; ctx.Err() == nil; time.Sleep(time.Millisecond) {
		sets := r.watch.of("auto")
		if len(sets) == seen {
			continue
		}
		seen = len(sets)
		f := sets[seen-1].GetFrames()[0]
		given := (meanVolts(f) - mid - step*float64(f.GetTrim().GetOffset())) / gains[f.GetTrim().GetGainIndex()]
		p := &facetdv1.ViewParameters{GainIndex: proto.Uint32(0)}
		for i, gain := range gains {
			offset := math.Round((middle - mid - gain*given) / step)
			if i == 0 || math.Abs(offset) <= 127 {
				p.GainIndex, p.Offset = proto.Uint32(uint32(i)), proto.Int32(int32(max(-128, min(127, offset))))
			}
		}
		_, _ = r.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "auto",
			Views: []*facetdv1.ViewParameters{p}}) // the test sees what came of it
	}
}

// TestAutomaticIsTheDaemons: what the daemon sets cannot be set by a client as well; what else moves can.
func TestAutomaticIsTheDaemons(t *testing.T) {
	task := exposedTask(50, &facetdv1.AutomaticExposure{Level: 0.5, Percentile: proto.Float64(90)})
	task.Views[0].Window = &facetdv1.Window{Rows: 2, Columns: 2}
	task.Views[0].Movable.Row = bounds(0, 2)
	r := newRigOf(t, wideShutter(), free, 100*time.Millisecond, nil, task)
	set := func(v *facetdv1.ViewParameters) error {
		_, err := r.SetParameters(t.Context(), &facetdv1.SetTaskParametersRequest{Task: "auto",
			Views: []*facetdv1.ViewParameters{v}})
		return err
	}
	err := set(&facetdv1.ViewParameters{Exposure: durationpb.New(time.Millisecond), Row: proto.Uint32(1)})
	var m invalid.Errors
	if !errors.As(err, &m) || len(m) != 1 || m[0].Path != "views[0].exposure" ||
		!strings.Contains(m[0].Message, "the daemon sets it") {
		t.Errorf("an exposure beside automatic: %v", err)
	}
	if err := set(&facetdv1.ViewParameters{Row: proto.Uint32(1)}); err != nil {
		t.Error(err)
	}
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
}
