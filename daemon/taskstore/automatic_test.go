package taskstore

import (
	"context"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/dispatch"
)

type deaf struct{}

func (deaf) SegmentRun(string, *bus.Result, dispatch.WordCount) {}
func (deaf) JobEnded(*facetdv1.FrameSet)                        {}
func (deaf) PlanChanged(*facetdv1.Plan, bus.Time, bus.Time)     {}
func (deaf) Violated(rules.Violation)                           {}

// TestWhatTheDaemonSetsIsNotStored: of a view with automatic exposure what a client has set outlives the daemon, and
// what the daemon sets by itself is not given back as if a client had.
func TestWhatTheDaemonSetsIsNotStored(t *testing.T) {
	view := &facetdv1.View{Name: "v", Window: &facetdv1.Window{Rows: 2, Columns: 2},
		Automatic: &facetdv1.AutomaticExposure{Level: 0.5},
		Movable: &facetdv1.Movable{Row: &facetdv1.Bounds{High: 2}, Exposure: &facetdv1.ExposureBounds{
			Low: durationpb.New(time.Microsecond), High: durationpb.New(time.Millisecond)}}}
	configured := []*facetdv1.Task{{Name: "auto", RateHz: 50, Views: []*facetdv1.View{view}, Target: &facetdv1.Target{
		Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{"m0"}}}}}}
	a := bustest.MustLinearArray()
	path := filepath.Join(t.TempDir(), "tasks", "tasks.json")
	for start := range 3 {
		synctest.Test(t, func(t *testing.T) {
			var told []string
			k, err := Open(Config{Path: path, Events: func(e *facetdv1.Event) { told = append(told, e.GetText()) }},
				configured, func(tasks []*facetdv1.Task) error { return dispatch.Fits(a, bus.Limits{}, tasks) })
			if err != nil {
				t.Fatal(err)
			}
			b, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(2000),
				Pace: facetdv1.Pace_PACE_FREE})
			if err != nil {
				t.Fatal(err)
			}
			d, err := dispatch.New(dispatch.Config{Array: a, Bus: b, Observer: deaf{}, Logger: zap.NewNop(),
				Tasks: k.Tasks(), StopAt: bus.Time(200 * time.Millisecond)})
			if err != nil {
				t.Fatal(err)
			}
			k.Drive(d)
			if now := d.Snapshot().Tasks[0].GetParameters()[0]; start > 0 && now.GetRow() != uint32(start) ||
				now.GetExposure().AsDuration() != a.Chips[0].Class.Exposure() {
				t.Errorf("start %d: the task begins with %v", start, now)
			}
			if len(told) > 0 {
				t.Errorf("start %d: told %q", start, told)
			}
			ctx, cancel := context.WithCancel(t.Context())
			ended := make(chan struct{})
			go func() {
				defer close(ended)
				k.Keep(ctx)
			}()
			if err := d.Run(ctx); err != nil { // the exposure moves
				t.Fatal(err)
			}
			if e := d.Snapshot().Tasks[0].GetParameters()[0].GetExposure().AsDuration(); e > 60*time.Microsecond {
				t.Errorf("the exposure is %v", e)
			}
			time.Sleep(5 * time.Second)
			cancel()
			<-ended
		})
		if start == 2 {
			return
		}
		setRow(t, path, configured, uint32(start+1))
	}
}

// setRow has a client set the row of a task's window, and the keeper store it.
func setRow(t *testing.T, path string, configured []*facetdv1.Task, row uint32) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		a := bustest.MustLinearArray()
		k, err := Open(Config{Path: path, Events: func(*facetdv1.Event) {}}, configured,
			func(tasks []*facetdv1.Task) error { return dispatch.Fits(a, bus.Limits{}, tasks) })
		if err != nil {
			t.Fatal(err)
		}
		b, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(2000), Pace: facetdv1.Pace_PACE_FREE})
		if err != nil {
			t.Fatal(err)
		}
		d, err := dispatch.New(dispatch.Config{Array: a, Bus: b, Observer: deaf{}, Logger: zap.NewNop(),
			Tasks: k.Tasks()})
		if err != nil {
			t.Fatal(err)
		}
		k.Drive(d)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			k.Keep(ctx)
		}()
		if _, err := k.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "auto",
			Views: []*facetdv1.ViewParameters{{Row: proto.Uint32(row)}}}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Second)
		cancel()
		<-ended
	})
}
