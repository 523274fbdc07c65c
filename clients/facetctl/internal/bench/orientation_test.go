package bench

import (
	"bytes"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/scene"
)

// watched are the motions that a chip on a real mount sees, of a scene that a turning body makes pass: a body that yaws
// to the right sees all move to its left, and one that pitches down sees all ahead rise.
func watched(t *testing.T, s scene.Scene, real geometry.Mount, mirrored bool) (seen []Seen) {
	t.Helper()
	v := scene.NewView(geometry.New(geometry.Lattice{Rows: 24, Columns: 24, PitchXUm: 24, PitchYUm: 24}, real,
		geometry.Lens{HorizontalFOVDeg: 34, VerticalFOVDeg: 34, BlurPixels: 0.5}))
	for move, m := range map[string]scene.Motion{MoveLeft: {YawRateDegPerS: -20}, MoveUp: {PitchRateDegPerS: -20}} {
		if move == MoveUp && (math.Abs(real.YawDeg) > 40 || math.Abs(real.PitchDeg) > 40) {
			continue // a pitch of the body is no rise there
		}
		moving, err := scene.Moved(s, m)
		if err != nil {
			t.Fatal(err)
		}
		var f Flow
		for n := range 4 {
			var codes []float64
			row := make([]float64, 24)
			for r := range 24 {
				moving.Row(row, v, r, 20_000_000*bustime.Time(n))
				if mirrored {
					slices.Reverse(row)
				}
				for _, lux := range row {
					codes = append(codes, math.Round(400+300*math.Log10(lux)))
				}
			}
			f.Add(24, 24, codes)
		}
		if x, y, ok := f.Shift(); ok {
			seen = append(seen, Seen{move, x, y})
		} else {
			t.Errorf("%+v sees nothing of a move %s", real, move)
		}
	}
	return seen
}

// TestOrientationIsFound: chips that are mounted as described, turned by quarters, mirrored and swapped are told as
// such by what they really see, with the mount to write.
func TestOrientationIsFound(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	s, err := lit()
	if err != nil {
		t.Fatal(err)
	}
	for n := range 12 {
		described := Mount{YawDeg: 40 * (2*rng.Float64() - 1) / 2, PitchDeg: 20 * (2*rng.Float64() - 1),
			RollDeg: 90 * float64(rng.IntN(4)-2)}
		real := geometry.Mount{YawDeg: described.YawDeg, PitchDeg: described.PitchDeg,
			RollDeg: described.RollDeg + 10*(2*rng.Float64()-1)}
		quarter := n % 4
		real.RollDeg += 90 * float64(quarter)
		mirrored := n >= 8
		v := Judge("c", described, watched(t, s, real, mirrored))
		switch {
		case mirrored && v.Finding != Mirrored, !mirrored && quarter == 0 && v.Finding != Right:
			t.Errorf("%+v, really %+v, mirrored %v: %+v", described, real, mirrored, v)
		case !mirrored && quarter > 0:
			want := math.Remainder(described.RollDeg+90*float64(quarter), 360)
			var got Mount
			if v.Finding == Turned && strings.Contains(v.Line, "roll_deg: ") {
				got.RollDeg = rollOf(t, v.Line)
			}
			if v.Finding != Turned || math.Abs(math.Remainder(got.RollDeg-want, 360)) > 1e-9 {
				t.Errorf("%+v, really %+v: %+v, want a roll of %v", described, real, v, want)
			}
		}
	}
	// One move alone does not tell a turn from a mirror.
	one := watched(t, s, geometry.Mount{RollDeg: 180}, false)[:1]
	if v := Judge("c", Mount{}, one); v.Finding != Unclear || !strings.Contains(v.Note, "across") {
		t.Errorf("by one move: %+v", v)
	}
	if v := Judge("c", Mount{}, nil); v.Finding != NothingSeen {
		t.Errorf("by none: %+v", v)
	}
	mounts := map[string]Mount{"a": {YawDeg: 10}, "b": {YawDeg: -10, RollDeg: 90}, "c": {}}
	seen := map[string][]Seen{"a": watched(t, s, geometry.Mount{YawDeg: -10, RollDeg: 90}, false),
		"b": watched(t, s, geometry.Mount{YawDeg: 10}, false), "c": watched(t, s, geometry.Mount{}, false)}
	if pairs := Swapped(mounts, seen); len(pairs) != 1 || pairs[0] != [2]string{"a", "b"} {
		t.Errorf("swapped: %v", pairs)
	}
}

func rollOf(t *testing.T, line string) float64 {
	t.Helper()
	_, text, _ := strings.Cut(line, "roll_deg: ")
	v, err := strconv.ParseFloat(strings.TrimSuffix(text, "}"), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestMovesAndFocusAreDrawn: the drawings name their chips, say what was found, and have round numbers on their axes.
func TestMovesAndFocusAreDrawn(t *testing.T) {
	var b bytes.Buffer
	if err := DrawMoves(&b, "moves", []Arrow{{"a & b", Mount{}, []Seen{{MoveLeft, -1, 0}}, Right},
		{"c", Mount{}, []Seen{{MoveUp, 1, 0}}, Turned}}); err != nil {
		t.Fatal(err)
	}
	if s := b.String(); strings.Count(s, `class="want"`) != 2 || strings.Count(s, `class="was"`) != 2 ||
		strings.Count(s, `class="wrong"`) != 1 || !strings.Contains(s, "a &amp; b") ||
		!strings.Contains(s, "turned, 1") {
		t.Error(s)
	}
	b.Reset()
	f := &Focus{Chip: "c", LensPixels: 0.4}
	for _, blur := range []float64{0.9, 0.6, 0.8} {
		f.Add(Sharpness{BlurPixels: blur, Edges: 20})
	}
	if *f.BestPixels != 0.6 || f.AtBest() || f.Allowed() { // 0.6 is above 1.2 times 0.4 and a tenth
		t.Errorf("%+v: at best %v, as allowed %v", f, f.AtBest(), f.Allowed())
	}
	f.Add(Sharpness{BlurPixels: math.NaN()})
	if f.NowPixels != nil || *f.BestPixels != 0.6 {
		t.Errorf("the peak is not held: %+v", f)
	}
	if err := DrawFocus(&b, "focus", []*Focus{f, {Chip: "d", LensPixels: 0.4}}); err != nil {
		t.Fatal(err)
	}
	if s := b.String(); strings.Count(s, "too few edges") != 2 || strings.Count(s, `class="best"`) != 1 ||
		strings.Contains(s, "0.60000") || !strings.Contains(s, ">0.6<") {
		t.Error(s)
	}
}
