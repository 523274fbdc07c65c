package program

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/autoexposure"
)

// TestAnOffsetBesideAnExposure: where the exposure is set an offset that moves is whoever's sets it: a job is taken as
// it was made, and nothing is set back.
func TestAnOffsetBesideAnExposure(t *testing.T) {
	a := &Automatic{Exposure: 1, Offset: 2, Law: autoexposure.Config{Low: autoexposure.Setting{Offset: -50, Gain: 1}}}
	made := a.Made([]int{100_000, 7})
	if want := (autoexposure.Setting{Exposure: 100 * time.Microsecond, Gain: 1, Offset: 7}); made != want {
		t.Errorf("a job was made with %+v, want %+v", made, want)
	}
	values := []int{100_000, 9} // set meanwhile
	made.Exposure *= 2
	if changed := a.Set(values, made); !changed || !slices.Equal(values, []int{200_000, 9}) {
		t.Errorf("the next is made with %v", values)
	}
	if a.Sets(OffsetField) || !a.Sets(ExposureField) || a.Sets(GainField) || a.Sets(RowField) {
		t.Error("the daemon sets the exposure, and that alone")
	}
	b := &Automatic{Gain: 1, Offset: 2}
	if b.Set(values, autoexposure.Setting{Gain: 2, Offset: -3}); !slices.Equal(values, []int{2, -3}) ||
		!b.Sets(OffsetField) || !b.Sets(GainField) || (*Automatic)(nil).Sets(GainField) {
		t.Errorf("without an exposure gain and offset are %v", values)
	}
}

// TestAutomaticOfAWrongView: what else is wrong with a view, or with the rate, is said, and no law is made of it.
func TestAutomaticOfAWrongView(t *testing.T) {
	msg := bustest.LinearMessage()
	msg.Classes[0].Amplifier = &facetdv1.Amplifier{Gains: []float64{1, 2}, MidVolts: proto.Float64(1.2),
		OffsetStepVolts: proto.Float64(0.002), LowVolts: 0.1, HighVolts: 3}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	for _, x := range []struct {
		gain uint32
		rate float64
		path string
	}{{0, 50, ""}, {2, 50, "tasks[0].views[0].trim.gain_index"}, {1 << 31, 50, "tasks[0].views[0].trim.gain_index"},
		{0, math.NaN(), "tasks[0].rate_hz"}} {
		_, m := NewTasks(a, []*facetdv1.Task{{Name: "x", RateHz: x.rate,
			Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{"m0"}}}},
			Views: []*facetdv1.View{{Trim: &facetdv1.TrimSettings{GainIndex: x.gain},
				Automatic: &facetdv1.AutomaticExposure{Level: 0.7},
				Movable: &facetdv1.Movable{Exposure: &facetdv1.ExposureBounds{
					Low: durationpb.New(time.Microsecond), High: durationpb.New(time.Millisecond)}}}}}})
		var paths []string
		for _, e := range m {
			paths = append(paths, e.Path)
		}
		if strings.Join(paths, " ") != x.path {
			t.Errorf("gain_index %d at %g Hz: %v, want one at %q", x.gain, x.rate, m, x.path)
		}
	}
}

// TestAveragingOfASporadicTask: flicker is averaged over as many jobs as triggers can release in that time, however
// close together the task's reservations are.
func TestAveragingOfASporadicTask(t *testing.T) {
	tasks, m := NewTasks(bustest.MustLinearArray(), []*facetdv1.Task{{Name: "x",
		LeastInterval: durationpb.New(20 * time.Millisecond), Deadline: durationpb.New(2 * time.Millisecond),
		Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{"m0"}}}},
		Views: []*facetdv1.View{{Automatic: &facetdv1.AutomaticExposure{Level: 0.7},
			Movable: &facetdv1.Movable{Exposure: &facetdv1.ExposureBounds{
				Low: durationpb.New(time.Microsecond), High: durationpb.New(time.Millisecond)}}}}}})
	if len(m) > 0 {
		t.Fatal(m)
	}
	if n := tasks[0].Views[0].Automatic.Law.Averaging; n != 50 {
		t.Errorf("a second is averaged over %d jobs, at most 50 are released in it", n)
	}
}
