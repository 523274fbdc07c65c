package die

import (
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// TestChaptersEndRowByRow: in light so dim that pixels forget nothing within a chapter all of it has to be followed to
// its end. That is done row by row at the readouts since, and chips that are driven alike do not begin with it in the
// same instant: at no readout are more pixels looked at than in half of the chapter of one chip. Nobody looks at what
// is read.
func TestChaptersEndRowByRow(t *testing.T) {
	const chips, readouts = 12, 220
	for _, side := range []uint32{8, 40} {
		class := classOf(t, func(c *facetdv1.ChipClass) {
			c.Lattice = &facetdv1.Lattice{Rows: side, Columns: side, PitchXUm: 10}
			bare(c)
			c.Counter = &facetdv1.Counter{Reset_: dur(1000)}
			c.Memory = nil
			c.Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{OffsetVolts: 1,
				VoltsPerDecade: 0.1, DarkLux: 0.001, NodeCapacitanceFf: 50, PhotocurrentFaPerLux: 100}}
		}).Chips[0].Class
		pixels := 0 // looked at
		light := &Light{Every: time.Millisecond, Lag: lagUnder(analog.Lamp{}), Row: func(dst []float64, _ int,
			at bustime.Time) {
			pixels += len(dst)
			for c := range dst {
				dst[c] = 0.1 + 0.01*float64(at)*1e-9
			}
		}}
		dies := make([]*Deferred, chips)
		for i := range dies {
			if dies[i] = Defer(newDie(class, time.Microsecond, analog.NewNoise(7, uint64(i))), i,
				chips); dies[i] == nil {
				t.Fatal("the pixels are not deferred")
			}
		}
		w := chipmodel.Window{Rows: class.Rows, Columns: class.Columns, RowStep: 1, ColumnStep: 1}
		worst, all := 0, 0
		for k := range readouts {
			before := pixels
			for _, d := range dies {
				at := bustime.Time(k) * bustime.Time(time.Millisecond)
				if _, ok := d.Later(Readout{w, at, time.Duration(w.Columns) * 1000, 1000}, light); !ok {
					t.Fatal("a readout cannot be put off")
				}
			}
			worst, all = max(worst, pixels-before), all+pixels-before
		}
		chapter := min(chapterEvents/epochEvents, max(leastEvents, chapterEvents*chapterPixels/w.Pixels())/epochEvents)
		if most := chapter * w.Pixels() / 2; worst > most || all == 0 {
			t.Errorf("%d by %d pixels: %d were looked at in one readout of %d, chapters have %d readouts", side, side,
				worst, w.Pixels(), chapter)
		}
		if each := float64(all) / float64(readouts*chips*w.Pixels()); each > 1.6 || each < 0.5 {
			t.Errorf("%d by %d pixels: each readout was followed %.2f times", side, side, each)
		}
		t.Logf("%d by %d pixels: at most %d at once, %d in a chapter", side, side, worst, chapter*w.Pixels())
	}
}
