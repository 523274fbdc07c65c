package scene

import (
	"slices"
	"testing"

	"facetd.example/chipmodel/bustime"
)

// TestALampThatIsLitJumps: light that comes under another lamp jumps then, also where the lamp is that of both halves
// of a step.
func TestALampThatIsLitJumps(t *testing.T) {
	still, err := Parse("demo:high=800", nil)
	if err != nil {
		t.Fatal(err)
	}
	lit, err := Flicker(still, 50, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	both, err := Step(lit, lit, 100)
	if err != nil {
		t.Fatal(err)
	}
	l := Lattice{Rows: 3, Columns: 4, PitchXUm: 10, PitchYUm: 10}
	view := mustView(t, l, Optics{YawDeg: 70, HorizontalFOVDeg: 30, VerticalFOVDeg: 30})
	for name, before := range map[string]Scene{"a lamp": lit, "a step under a lamp": both} {
		s := Sequence([]Since{{Scene: before, At: bustime.Never}, {Scene: still, At: 500}})
		if c := CourseOf(s, view); !slices.Contains(c.Jumps, 500) {
			t.Errorf("%s that goes out: jumps at %v", name, c.Jumps)
		}
	}
}
