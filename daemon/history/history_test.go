package history

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	facetdv1 "facetd.example/api/facetd/v1"
)

// value is one that was added.
type value struct {
	at Second
	v  float64
}

// plain is what a grid should show of values, by looking at all of them.
func plain(values []value, g Grid, now Second) []Point {
	out := make([]Point, g.Steps)
	for k := range out {
		from := g.First() + int64(k)*g.Seconds
		var sum float64
		p := Point{Least: math.MaxFloat32, Most: -math.MaxFloat32}
		for _, v := range values {
			if v.at < from || v.at >= from+g.Seconds || v.at > now {
				continue
			}
			sum += v.v
			p.Count++
			p.Least, p.Most = min(p.Least, float32(v.v)), max(p.Most, float32(v.v))
		}
		if p.Count > 0 {
			p.Mean = float32(sum / float64(p.Count))
			out[k] = p
		}
	}
	return out
}

// TestSeriesAsAPlainList: whatever was added when, a span shows what a list of all values would, in each resolution.
func TestSeriesAsAPlainList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s Series
		var values []value
		now := Second(0)
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		for range rapid.IntRange(1, 6).Draw(t, "stretches") {
			now += rapid.Int64Range(0, 50_000).Draw(t, "gap")
			for range rapid.IntRange(1, 400).Draw(t, "values") {
				if now += r.Int64N(3); r.IntN(50) == 0 {
					now += r.Int64N(400)
				}
				v := r.NormFloat64() * 1000
				s.Add(now, v)
				values = append(values, value{now, v})
			}
		}
		later := now + rapid.Int64Range(0, 100).Draw(t, "later")
		span := rapid.Int64Range(1, int64(MaxSpan.Seconds())).Draw(t, "span")
		if rapid.Bool().Draw(t, "short") {
			span = span%7200 + 1
		}
		steps := rapid.IntRange(1, 3600).Draw(t, "steps")
		g := GridOf(later, span, steps)
		if n := int64(g.Steps) * g.Seconds; g.Steps > steps || n < span || g.First()+n <= later {
			t.Fatalf("%+v for %d s in %d steps", g, span, steps)
		}
		want := plain(values, g, later)
		for i, p := range s.Points(g) {
			w := want[i]
			near := math.Abs(float64(p.Mean-w.Mean)) <= 1e-3*max(1, math.Abs(float64(w.Mean)))
			if p.Count != w.Count || p.Least != w.Least || p.Most != w.Most || !near {
				t.Fatalf("step %d of %+v: %+v, want %+v", i, g, p, w)
			}
		}
	})
}

// TestASeriesIsBounded: after two days no more is held than the package says.
func TestASeriesIsBounded(t *testing.T) {
	var s Series
	for at := range Second(2 * 86400) {
		s.Add(at, 1)
	}
	bytes := 0
	for _, ring := range s.rings {
		for _, held := range ring {
			if held != nil {
				bytes += 8 + chunk*16
			}
			bytes += 8
		}
	}
	if bytes > 121_000 {
		t.Errorf("%d bytes", bytes)
	}
	if g := GridOf(2*86400-1, 3600, 3600); g.Steps != 3600 || g.Seconds != 1 || s.Points(g)[0].Count != 1 {
		t.Errorf("an hour by the second: %+v", g)
	}
	if g := GridOf(2*86400-1, 86400, 3600); g.Seconds != 60 || s.Points(g)[0].Count != 60 {
		t.Errorf("a day: %+v", g)
	}
}

func TestWhatIsNoNumber(t *testing.T) {
	var s Series
	for _, v := range []float64{math.NaN(), math.Inf(1), math.MaxFloat64} {
		s.Add(3, v)
	}
	if p := s.Points(GridOf(3, 1, 1))[0]; p.Count != 0 {
		t.Errorf("%+v", p)
	}
}

// get is what is told of all histories that are wanted.
func get(s *Store, g Grid, wanted func(task string) bool) (out []*facetdv1.HistorySeries) {
	for _, key := range s.Keys(wanted) {
		if one := Told(key, s.Points(g, key)); one != nil {
			out = append(out, one)
		}
	}
	return out
}

func task(i int) Key { return Key{Task: fmt.Sprintf("t%03d", i)} }

// TestTooManyHistories: what has no place is counted, and a history that fell silent makes place.
func TestTooManyHistories(t *testing.T) {
	s := New()
	for i := range MaxSeries {
		s.Add(0, task(i), 1)
	}
	s.Add(silent, task(MaxSeries), 1)
	if s.NotKept() != 1 {
		t.Fatalf("%d were not kept", s.NotKept())
	}
	for i := range MaxSeries {
		if i != 7 {
			s.Add(silent, task(i), 1)
		}
	}
	s.Add(silent+1, task(MaxSeries), 2)
	var names []string
	all := get(s, GridOf(silent+1, 3600, 3600), func(string) bool { return true })
	for _, h := range all {
		names = append(names, h.GetTask())
	}
	if s.NotKept() != 1 || len(all) != MaxSeries || names[7] != "t008" || names[MaxSeries-1] != task(MaxSeries).Task {
		t.Errorf("%d not kept, %d histories, %v", s.NotKept(), len(all), names[6:9])
	}
}

// TestRuns: steps without values part what is told, and only the tasks that are wanted are told, beside the bus.
func TestRuns(t *testing.T) {
	s := New()
	for _, at := range []Second{1, 2, 5} {
		s.Add(at, task(1), float64(at))
		s.Add(at, task(2), 9)
	}
	load := Key{Phase: facetdv1.Phase_PHASE_LOAD}
	s.Add(5, load, 0.25)
	got := get(s, GridOf(6, 6, 6), func(name string) bool { return name == "t001" })
	if len(got) != 2 || got[0].GetPhase() != load.Phase || len(got[1].GetRuns()) != 2 {
		t.Fatalf("%v", got)
	}
	runs := got[1].GetRuns()
	if runs[0].GetFirst() != 0 || len(runs[0].GetMeans()) != 2 || runs[0].GetMosts()[1] != 2 ||
		runs[1].GetFirst() != 4 || runs[1].GetLeasts()[0] != 5 {
		t.Errorf("%v", runs)
	}
}
