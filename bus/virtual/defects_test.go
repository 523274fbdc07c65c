package virtual

import (
	"errors"
	"strings"
	"testing"

	"facetd.example/api/invalid"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel/die"
)

func TestParseDefect(t *testing.T) {
	got, err := ParseDefect("wall-00:3,4=stuck@-1.25")
	if want := (Defect{Chip: "wall-00", Defect: die.Defect{Row: 3, Column: 4, Stuck: true,
		Volts: -1.25}}); err != nil || got != want {
		t.Errorf("%+v, %v", got, err)
	}
	got, err = ParseDefect("b:0,7=noisy@1e-2")
	if want := (Defect{Chip: "b", Defect: die.Defect{Column: 7, NoiseVolts: 0.01}}); err != nil || got != want {
		t.Errorf("%+v, %v", got, err)
	}
	for _, wrong := range []string{"", "b", "b:1=stuck@1", "b:1,2=dead@1", "b:1,2=stuck", ":1,2=stuck@1",
		"b:x,2=stuck@1", "b:1,2=noisy@much"} {
		if _, err := ParseDefect(wrong); err == nil || !strings.Contains(err.Error(), DefectForm) {
			t.Errorf("%q: %v", wrong, err)
		}
	}
	_, err = New(Config{Array: MustArray(), Scene: ramp{},
		Defects: []Defect{{Chip: "nobody"}, {Chip: "m0", Defect: die.Defect{Row: 99}}}})
	var m invalid.Errors
	if !errors.As(err, &m) || len(m) != 2 {
		t.Errorf("%v", err)
	}
}
