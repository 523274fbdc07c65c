package dispatch

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// TestViewsOnAndOff: from the job on that the answer names frame sets have no frames of a view that is switched off,
// and have them again; the others' stay, the bus does what it did, and no job of any task is late. The last view stays
// on.
func TestViewsOnAndOff(t *testing.T) {
	may := &facetdv1.Movable{Active: true}
	task := &facetdv1.Task{Name: "pyramid", Target: list("m0", "m1"), RateHz: 50, Views: []*facetdv1.View{
		{Name: "fine", Movable: may}, {Name: "coarse", Binning: &facetdv1.Binning{Rows: 2, Columns: 2}, Movable: may}}}
	// One that shares its load.
	twin := &facetdv1.Task{Name: "twin", Target: list("m0", "m1"), RateHz: 50, Views: []*facetdv1.View{
		{Name: "coarser", Binning: &facetdv1.Binning{Rows: 2, Columns: 2}, Movable: may}, {Name: "last"}}}
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, task, twin, countTask(70))
		if name := r.runner.standing.plan.Tasks[0].Task.Name; name != "pyramid,twin" {
			t.Fatalf("%s: the two share no load; the test needs one job of both", name)
		}
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		first := map[string]map[uint64]*facetdv1.ViewParameters{"pyramid": {}, "twin": {}}
		set := func(name, view string, on bool) {
			t.Helper()
			got, err := r.SetParameters(t.Context(), &facetdv1.SetTaskParametersRequest{Task: name,
				Views: []*facetdv1.ViewParameters{{View: view, Active: proto.Bool(on)}}})
			if err != nil {
				t.Fatal(err)
			}
			first[name][got.GetFirstJob()] = &facetdv1.ViewParameters{View: view, Active: proto.Bool(on)}
			time.Sleep(60 * time.Millisecond)
		}
		for _, view := range []string{"fine", "coarse", "coarse"} {
			set("pyramid", view, false)
			set("twin", "coarser", view != "fine")
			set("pyramid", view, true)
		}
		set("pyramid", "fine", false)
		var m invalid.Errors
		_, err := r.SetParameters(context.Background(), &facetdv1.SetTaskParametersRequest{Task: "pyramid",
			Views: []*facetdv1.ViewParameters{{View: "coarse", Active: proto.Bool(false)}}})
		if !errors.As(err, &m) || len(m) != 1 || m[0].Path != "views" {
			t.Errorf("the last view is switched off: %v", err)
		}
		if err := end(); err != nil {
			t.Fatal(err)
		}
		changes := onAndOff(t, r.watch.of("pyramid"), first["pyramid"], "fine", "coarse") +
			onAndOff(t, r.watch.of("twin"), first["twin"], "coarser", "last")
		if changes < 9 {
			t.Errorf("views were switched %d times", changes)
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// onAndOff holds the frames of sets of two chips against what was switched, by the first job, and counts that.
func onAndOff(t *testing.T, sets []*facetdv1.FrameSet, first map[uint64]*facetdv1.ViewParameters,
	views ...string) (changes int) {
	t.Helper()
	off := map[string]bool{}
	for _, fs := range sets {
		if p := first[fs.GetJob()]; p != nil {
			off[p.GetView()] = !p.GetActive()
			changes++
		}
		n := map[string]int{}
		for _, f := range fs.GetFrames() {
			n[f.GetView()]++
			if len(f.GetData()) == 0 || f.GetLightBusNs() == 0 && fs.GetFailure() == "" {
				t.Fatalf("job %d of %s: %s of %s is empty", fs.GetJob(), fs.GetTask(), f.GetView(), f.GetChip())
			}
		}
		for _, view := range views {
			want := 2
			if off[view] {
				want = 0
			}
			if n[view] != want || fs.GetLate() {
				t.Fatalf("job %d of %s: %d frames of %s, want %d; late %v", fs.GetJob(), fs.GetTask(), n[view], view,
					want, fs.GetLate())
			}
		}
	}
	return changes
}
