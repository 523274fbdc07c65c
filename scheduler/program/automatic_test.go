package program

import (
	"slices"
	"testing"
	"time"

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
