package chipmodel

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestManyChipsWiredAlike: of n chips on the same lines n (n - 1) / 2 pairs cannot be
// read apart. Each chip is reported, but not each pair.
func TestManyChipsWiredAlike(t *testing.T) {
	const n = 1000
	msg := &facetdv1.Array{SelectLines: []string{"a"}, Lanes: []*facetdv1.Lane{{Name: "l"}}}
	for i := range n {
		msg.Chips = append(msg.Chips, &facetdv1.Chip{Name: fmt.Sprint("c", i), Selects: []string{"a"}, Lane: "l"})
	}
	_, m := New(msg)
	reported, more := map[string]int{}, ""
	for _, one := range m {
		if strings.Contains(one.Message, "read apart") {
			reported[one.Path]++
			more = one.Message
		}
	}
	if len(reported) != n-1 {
		t.Errorf("%d chips are reported, want %d", len(reported), n-1)
	}
	for path, times := range reported {
		if times > shownApart+1 {
			t.Errorf("%s is reported %d times", path, times)
		}
	}
	if want := fmt.Sprintf("%d more", n-1-shownApart); !strings.Contains(more, want) {
		t.Errorf("the last is %q, want it to count %s", more, want)
	}
}

// TestNamesCanBeShown: what would break a line of a table, or turn its direction, is
// no name; letters of any script are.
func TestNamesCanBeShown(t *testing.T) {
	for name, good := range map[string]bool{
		"wall-00": true, "паук_1.b": true, "カメラ": true, "é": true,
		"": false, "a b": false, "a\nb": false, "a\tb": false, "\x1b[31m": false, "a\u00a0b": false,
		"a\u0085b": false, "a\u2028b": false, "a\u202eb": false, "a\u200bb": false, "a,b": false, "a/b": false,
	} {
		msg := &facetdv1.Array{SelectLines: []string{"x"},
			Chips: []*facetdv1.Chip{{Name: name, Selects: []string{"x"}}}}
		if _, m := New(msg); (len(m) == 0) != good {
			t.Errorf("chip %q: %v", name, m)
		}
	}
	msg := &facetdv1.Array{Name: "two\nlines", SelectLines: []string{"x"},
		Chips: []*facetdv1.Chip{{Name: "c", Selects: []string{"x"}}}}
	if _, m := New(msg); len(m) != 1 || m[0].Path != "name" {
		t.Errorf("an array's name of two lines: %v", m)
	}
}

// TestTimesThatNoBusCanKeep: readouts of hours are refused, since their sums overflow and
// would look short; the largest lattice with usual times is not.
func TestTimesThatNoBusCanKeep(t *testing.T) {
	for name, c := range map[string]struct {
		readout *facetdv1.Readout
		want    string
	}{
		"usual":       {&facetdv1.Readout{Step: dur(500), RowStep: dur(500), Settle: dur(2000)}, ""},
		"slow settle": {&facetdv1.Readout{Step: dur(500), Settle: dur(50 * time.Minute)}, "classes[0].readout"},
		"slow step":   {&facetdv1.Readout{Step: dur(time.Second), Settle: dur(2000)}, "classes[0].readout"},
		"slow row": {&facetdv1.Readout{Step: dur(1), Settle: dur(1), RowStep: dur(time.Minute)},
			"classes[0].readout"},
		"slow to come": {&facetdv1.Readout{Step: dur(1), OutputResistanceOhms: 1e9}, "classes[0].readout"},
	} {
		_, m := New(&facetdv1.Array{
			SelectLines: []string{"x", "y"},
			Lanes: []*facetdv1.Lane{{Name: "a", ChipCapacitancePf: proto.Float64(1),
				Converter: &facetdv1.Converter{Bits: 12, HighVolts: 2, Conversion: dur(1500)}}},
			Timing: &facetdv1.BusTiming{DeadTime: dur(200), SelectSetup: dur(300), Write: dur(1000), Strobe: dur(500),
				ReleaseLimit: dur(20000)},
			Classes: []*facetdv1.ChipClass{{Name: "c", Readout: c.readout,
				Lattice: &facetdv1.Lattice{Rows: MaxLatticeSide, Columns: MaxLatticeSide, PitchXUm: 20}}},
			Chips: []*facetdv1.Chip{{Name: "one", Class: "c", Lane: "a", Selects: []string{"x"}},
				{Name: "two", Class: "c", Lane: "a", Selects: []string{"y"}}},
		})
		if c.want == "" && len(m) > 0 || c.want != "" && (len(m) != 1 || m[0].Path != c.want) {
			t.Errorf("%s: %v, want an error at %q", name, m, c.want)
		}
	}
}
