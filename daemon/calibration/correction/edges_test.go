package correction

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestOffsetUpdateLeavesClippedPixels: what is clipped in the fresh level says nothing of its offset, which stays, and
// has no part in the mean that the others are brought to.
func TestOffsetUpdateLeavesClippedPixels(t *testing.T) {
	shape, scale := Shape{Rows: 8, Columns: 8}, Scale{VoltsPerCode: 1e-3, HighestCode: 1023}
	before := func(i int) float64 { return float64(500 + 3*(i%4)) }
	m, err := Fit(Offset, []Level{{10, simulated(t, shape, scale, 16, before)}}, Options{Kelvin: 300})
	if err != nil {
		t.Fatal(err)
	}
	clippedAt := map[int]float64{5: 0, 17: 1023, 40: 1023}
	drifted := func(i int) float64 {
		if code, clipped := clippedAt[i]; clipped {
			return code
		}
		return before(i) + 2*float64(i%3)
	}
	z, err := UpdateOffsets(m, Level{-1, simulated(t, shape, scale, 16, drifted)}, Options{Kelvin: 310})
	if err != nil {
		t.Fatal(err)
	}
	mean, n := 0.0, 0
	for i := range shape.Pixels() {
		if _, clipped := clippedAt[i]; !clipped {
			mean += 2 * float64(i%3)
			n++
		}
	}
	mean /= float64(n)
	for i := range shape.Pixels() {
		want := 2*float64(i%3) - mean
		if _, clipped := clippedAt[i]; clipped {
			want = 0
		}
		if got := float64(z.Offset[i] - m.Offset[i]); math.Abs(got-want) > 1e-3 {
			t.Errorf("the offset of pixel %d moved by %g codes, want %g", i, got, want)
		}
	}
}

// judged is what JudgeLevel says of frames whose pixels and frames differ as given.
func judged(t *testing.T, frames int, still bool, code func(frame, row, column int) int) Shown {
	t.Helper()
	shape := Shape{Rows: 10, Columns: 20}
	a, err := NewAccumulator(shape, Scale{VoltsPerCode: 1e-3, HighestCode: 255})
	if err != nil {
		t.Fatal(err)
	}
	var means []float64
	for f := range frames {
		codes := make([]uint16, shape.Pixels())
		sum := 0.0
		for i := range codes {
			codes[i] = uint16(code(f, i/shape.Columns, i%shape.Columns))
			sum += float64(codes[i])
		}
		if err := a.Add(codes); err != nil {
			t.Fatal(err)
		}
		means = append(means, sum/float64(len(codes)))
	}
	return JudgeLevel(a, means, still)
}

// checkers is noise of one code whose mean over every frame is 0.
func checkers(frame, row, column int) int { return 2*((frame+row+column)%2) - 1 }

// TestWhatALevelShows: the numbers are those of frames that were made for them.
func TestWhatALevelShows(t *testing.T) {
	l := judged(t, 16, true, func(f, r, c int) int {
		switch {
		case r == 0 && c < 2:
			return 0 // 1 % of the pixels
		case r == 1 && c == 0:
			return 255
		}
		return 100 + checkers(f, r, c) + 4*(2*(r%2)-1)
	})
	// A pixel that goes from one code to the other and back has a variance of 16/15, of 197 pixels in 200.
	if want := math.Sqrt(16.0 / 15 * 197 / 200); math.Abs(l.Noise-want) > 1e-9 {
		t.Errorf("noise %g codes, want %g", l.Noise, want)
	}
	if l.Frames != 16 || l.ClippedLow != 0.01 || l.ClippedHigh != 0.005 || l.Wander > 1e-2 {
		t.Errorf("%+v", l)
	}
	flat := judged(t, 8, true, func(f, r, c int) int { return 100 + checkers(f, r, c) + 4*(2*(r%2)-1) })
	if flat.Mean != 100 || flat.Pattern != 4 || flat.Wander != 0 || flat.ClippedLow+flat.ClippedHigh != 0 {
		t.Errorf("flat: %+v", flat)
	}
	flicker := judged(t, 8, true, func(f, r, c int) int { return 100 + checkers(f, r, c) + 2*(f/2%2) })
	if want := math.Sqrt(8.0 / 7); math.Abs(flicker.Wander-want) > 1e-9 || math.Abs(flicker.Mean-101) > 1e-9 {
		t.Errorf("flicker: mean %g, wander %g, want 101 and %g", flicker.Mean, flicker.Wander, want)
	}
}

// TestCautionsOfALevel: each is given from its limit on and alone.
func TestCautionsOfALevel(t *testing.T) {
	for _, c := range []struct {
		name   string
		frames int
		still  bool
		code   func(frame, row, column int) int
		want   []string
	}{
		{"good", 8, true, func(f, r, c int) int { return 100 + checkers(f, r, c) }, nil},
		{"few frames", 7, true, func(f, r, c int) int { return 100 + checkers(2, r, c) },
			[]string{"7 frames average little noise"}},
		{"dark corner", 8, true, func(f, r, c int) int { return 100 * min(r+c, 1) },
			[]string{"0.5 % of the samples are at the lowest"}},
		{"bright corner", 8, true, func(f, r, c int) int { return 255 - 100*min(r+c, 1) },
			[]string{"0.5 % of the samples are at the highest"}},
		{"drift", 8, true, func(f, r, c int) int { return 100 + f + checkers(0, r, c) },
			[]string{"the frames drift by 4 codes"}},
		{"drift down, not still", 9, false, func(f, r, c int) int { return 100 - f + checkers(0, r, c) },
			[]string{"the frames drift by -4.5 codes"}},
		{"flicker", 8, true, func(f, r, c int) int { return 100 + f%2 + checkers(0, r, c) },
			[]string{"the means of frames wander by 0.53"}},
		{"flicker, not still", 8, false, func(f, r, c int) int { return 100 + f%2 + checkers(0, r, c) },
			[]string{"the means of frames wander by 0.53"}},
		{"not still", 8, false, func(f, r, c int) int { return 100 + checkers(f, r, c) },
			[]string{"had not come to rest"}},
		// Rows of 0 to 18 have a standard deviation of 2 sqrt(99/12), columns of 0 to 19 one of sqrt(399/12).
		{"slope along the rows", 8, true, func(f, r, c int) int { return 100 + 2*r },
			[]string{"5.74 codes are an even slope"}},
		{"slope along the columns", 8, true, func(f, r, c int) int { return 100 + c },
			[]string{"5.77 codes are an even slope"}},
		{"little slope", 8, true, func(f, r, c int) int { return 100 + c/4 }, nil},
		// Checkers of 5 codes are less than a slope of 5.77 and, with it, more.
		{"slope beside a pattern", 8, true, func(f, r, c int) int { return 100 + c + 5*(2*((r+c)%2)-1) },
			[]string{"5.77 codes are an even slope"}},
		{"slope within a pattern", 8, true, func(f, r, c int) int { return 100 + c + 20*(2*((r+c)%2)-1) }, nil},
	} {
		l := judged(t, c.frames, c.still, c.code)
		same := len(l.Cautions) == len(c.want)
		for i := 0; same && i < len(c.want); i++ {
			same = strings.Contains(strings.ReplaceAll(l.Cautions[i], "5.7 codes", "5.74 codes"), c.want[i]) ||
				strings.Contains(strings.ReplaceAll(l.Cautions[i], "5.8 codes", "5.77 codes"), c.want[i])
		}
		if !same {
			t.Errorf("%s: %q, want %q (%+v)", c.name, l.Cautions, c.want, l)
		}
	}
}

// TestComingToRest: a mean is at rest once it has stayed within the limit for a whole second of bus time, and not
// because little was seen of it.
func TestComingToRest(t *testing.T) {
	const step = 100 * time.Millisecond
	after := func(means ...float64) bool {
		var r Rest
		for i, m := range means {
			r.Add(int64(time.Duration(i)*step), m, []uint16{5, 7})
		}
		return r.Still()
	}
	if after() || after(5) || after(slices.Repeat([]float64{5}, 10)...) {
		t.Error("at rest within less than a second")
	}
	if !after(slices.Repeat([]float64{5}, 11)...) {
		t.Error("not at rest after a second of the same")
	}
	rising := make([]float64, 30)
	for i := range rising {
		rising[i] = float64(min(i, 15)) * 0.1
	}
	// The mean rises by 1 code a second until it stops at 1.5 s; a second before 2.4 s it was within 0.15 codes.
	for n, want := range map[int]bool{11: false, 16: false, 23: false, 24: false, 25: true, 30: true} {
		if got := after(rising[:n]...); got != want {
			t.Errorf("after %d frames: at rest %v, want %v", n, got, want)
		}
	}
	falling := make([]float64, 11)
	for i := range falling {
		falling[i] = -0.016 * float64(i)
	}
	if after(falling...) {
		t.Error("at rest while it falls by 0.16 codes a second")
	}
}

// TestRestWithinTheNoise: what the noise of the pixels makes of the mean does not keep it from being at rest.
func TestRestWithinTheNoise(t *testing.T) {
	// Codes that differ by 2 d in every frame have a noise of sqrt(2) d each; the mean of 4 of them half of that.
	codes := func(frame, d, common int) []uint16 {
		sign, base := d*(2*(frame%2)-1), 100+common*frame
		return []uint16{uint16(base + sign), uint16(base - sign), uint16(base + sign), uint16(base - sign)}
	}
	for _, c := range []struct {
		moved  float64
		common int // by how much all pixels rise from frame to frame, which is no noise of theirs
		want   bool
	}{{1.99, 0, true}, {2.01, 0, false}, {1.99, 3, true}, {2.01, 3, false}} {
		const d = 1 // noise of a mean: sqrt(2)/2; limit 2 sqrt(2) of it: 2
		var r Rest
		for i := range 11 {
			r.Add(int64(i)*int64(100*time.Millisecond), c.moved*float64(i)/10, codes(i, d, c.common))
		}
		if got := r.Still(); got != c.want {
			t.Errorf("a mean that moved by %g codes, pixels by %d: at rest %v, want %v (noise %g)", c.moved, c.common,
				got, c.want, r.noise)
		}
	}
}

// TestStudentOfFewValues: one value has a spread of its own, and the quantile falls as there are more.
func TestStudentOfFewValues(t *testing.T) {
	// With one degree of freedom the tail is 1/2 - atan(t)/pi.
	if got, want := outlierAt(0.1, 2), math.Tan(math.Pi*0.45); math.Abs(got-want) > 1e-9*want {
		t.Errorf("two values: %g, want %g", got, want)
	}
	if got, want := outlierAt(0.1, 1), outlierAt(0.1, 2); got != want {
		t.Errorf("one value: %g, want %g", got, want)
	}
	for n := 5; n < 500; n++ {
		if a, b := outlierAt(1e-4, n), outlierAt(1e-4, n+1); !(b < a) {
			t.Fatalf("%d values: %g, one more: %g", n, a, b)
		}
	}
}
