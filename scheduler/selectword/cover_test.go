package selectword

import (
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"facetd.example/chipmodel"
)

func TestTargetErrors(t *testing.T) {
	w := gridWiring(2, 2)
	for _, c := range []struct {
		target []int
		want   TargetError
	}{
		{nil, TargetError{Empty: true, Chips: 4}},
		{[]int{-1, 0, 4}, TargetError{OutOfRange: []int{-1, 4}, Chips: 4}},
		{[]int{2, 1, 2, 1, 2, 9}, TargetError{OutOfRange: []int{9}, Repeated: []int{1, 2}, Chips: 4}},
	} {
		_, err := w.Cover(c.target, Options{})
		var got *TargetError
		if !errors.As(err, &got) || !reflect.DeepEqual(*got, c.want) {
			t.Errorf("%v: %v, want %v", c.target, err, &c.want)
		}
	}
}

func TestClash(t *testing.T) {
	// Chip 0 listens whenever 1 or 2 does; 1 and 2 together wake chip 3. Chip 4
	// has nothing to do with it.
	w := New(wordsOf([][]int{{0}, {0, 1}, {0, 2}, {1, 2}, {4}}))
	target := []int{0, 1, 2, 4}
	c, err := w.Cover(target, Options{})
	if err != nil {
		t.Fatal(err)
	}
	checkCover(t, w, target, Options{}, c)
	_, err = w.Cover(target, Options{Once: true})
	var clash *ClashError
	if !errors.As(err, &clash) || !slices.Equal(clash.Chips, []int{0, 1, 2}) {
		t.Errorf("error %v, want a clash of 0, 1 and 2", err)
	}
	if c, err = w.Cover([]int{0, 1, 2, 3, 4}, Options{Once: true}); err != nil || len(c.Words) != 1 {
		t.Errorf("everything: %v, %v", c.Words, err)
	}
}

// TestChipsThatShareAWord has a group that every partition keeps in one word (0 and
// the three chips above it), one of which a word for quite other chips would wake.
func TestChipsThatShareAWord(t *testing.T) {
	w := New(wordsOf([][]int{{0}, {0, 1}, {0, 2}, {0, 3}, {1, 4}, {0, 4}}))
	target := []int{0, 1, 2, 3, 4, 5}
	opt := Options{Once: true}
	c, err := w.Cover(target, opt)
	if err != nil || len(c.Words) != 1 {
		t.Fatalf("%v, %v", c.Words, err)
	}
	checkCover(t, w, target, opt, c)
	// The first instance that words made of merged groups got wrong.
	w = New(wordsOf([][]int{{3, 4, 5}, {1, 5}, {2, 4, 5}, {3, 5}, {0, 2, 5}, {0, 1, 2}, {1, 4, 5}, {0, 3}, {3},
		{4, 5}}))
	target = []int{0, 1, 2, 3, 4, 5, 7, 8, 9}
	if c, err = w.Cover(target, opt); err != nil || len(c.Words) != 3 || !c.Optimal {
		t.Fatalf("%v, %v", c, err)
	}
	checkCover(t, w, target, opt, c)
}

func TestCostChangesTheWords(t *testing.T) {
	// One word of six lines or two of three: a cost that grows fast with the lines
	// makes two cheaper.
	w := New(wordsOf([][]int{{0, 1, 2}, {3, 4, 5}}))
	square := func(word chipmodel.LineSet) int64 { return int64(word.Len() * word.Len()) }
	for _, c := range []struct {
		cost  func(chipmodel.LineSet) int64
		words int
		bound int64
	}{{nil, 1, 1}, {square, 2, 18}} {
		got, err := w.Cover([]int{0, 1}, Options{Cost: c.cost})
		if err != nil || len(got.Words) != c.words || got.LowerBound != c.bound || !got.Optimal {
			t.Errorf("%v %v", got, err)
		}
	}
	var bad *CostError
	if _, err := w.Cover([]int{0, 1}, Options{Cost: func(chipmodel.LineSet) int64 { return 0 }}); !errors.As(err,
		&bad) {
		t.Errorf("a cost of 0: error %v", err)
	}
	if _, err := w.Cover([]int{0, 1},
		Options{Cost: func(chipmodel.LineSet) int64 { return MaxCost + 1 }}); !errors.As(err, &bad) {
		t.Errorf("a cost too high: error %v", err)
	}
}

func TestLittleWorkIsHonest(t *testing.T) {
	for _, o := range optima(t) {
		for _, work := range []int{1, 30, 1000} {
			opt := Options{Once: true, Work: work}
			c, err := o.wiring().Cover(o.Target, opt)
			if err != nil {
				continue
			}
			checkCover(t, o.wiring(), o.Target, opt, c)
			if o.Partition != nil && c.LowerBound > int64(*o.Partition) {
				t.Errorf("%s work %d: bound %d above the optimum %d", o.Name, work, c.LowerBound, *o.Partition)
			}
		}
	}
}

func TestResolver(t *testing.T) {
	calls := 0
	cost := func(chipmodel.LineSet) int64 { calls++; return 1 }
	w := gridWiring(3, 3)
	r := NewResolver(w, Options{Cost: cost})
	first, err := r.Cover([]int{0, 4, 8}, false)
	if err != nil || len(first.Words) != 3 {
		t.Fatalf("%v %v", first, err)
	}
	asked := calls
	again, err := r.Cover([]int{8, 0, 4}, false)
	if err != nil || !reflect.DeepEqual(first, again) || calls != asked {
		t.Errorf("asked again: %v, %v, %d further costs", again, err, calls-asked)
	}
	// A diagonal with one corner: covering shares it, a partition may not.
	if once, err := r.Cover([]int{0, 1, 2, 4, 8}, true); err != nil || len(once.Words) < 3 {
		t.Errorf("once: %v, %v", once, err)
	}
	if _, err := r.Cover([]int{0, 0}, false); err == nil {
		t.Error("a repeated chip is remembered as a target")
	}
	for i := range maxCached + 10 {
		r.Cover([]int{i}, false) // mostly out of range: errors take room too
	}
	if len(r.cached) != maxCached || len(r.oldest) != maxCached {
		t.Errorf("%d answers kept, %d in order", len(r.cached), len(r.oldest))
	}
}

// TestThousandChips sees that the answers of a large array are right and bounded;
// the benchmark says how fast. 16 x 8 x 8 chips on 32 lines.
func TestThousandChips(t *testing.T) {
	w := gridWiring(16, 8, 8)
	all := indices(1024)
	rng := rand.New(rand.NewPCG(5, 5))
	for name, c := range map[string]struct {
		target []int
		words  int // 0: only what is claimed
	}{
		"broadcast":   {all, 1},
		"plane":       {all[64:128], 1},
		"half":        {all[512:], 1},
		"single":      {[]int{777}, 1},
		"all but one": {slices.Delete(slices.Clone(all), 99, 100), 3},
		"random":      {rng.Perm(1024)[:100], 0},
	} {
		for _, once := range []bool{false, true} {
			opt := Options{Once: once}
			got, err := w.Cover(c.target, opt)
			if err != nil {
				t.Fatal(name, err)
			}
			checkCover(t, w, c.target, opt, got)
			if c.words > 0 && (len(got.Words) != c.words || !got.Optimal) {
				t.Errorf("%s once=%v: %d words, optimal %v, want %d", name, once, len(got.Words), got.Optimal, c.words)
			}
		}
	}
}

func FuzzCover(f *testing.F) {
	f.Add([]byte{3, 0, 0, 5, 0, 3, 0, 6, 0}, uint64(3), false)
	f.Add([]byte{1, 0, 3, 0, 5, 0, 6, 0}, uint64(7), true)
	f.Fuzz(func(t *testing.T, data []byte, chosen uint64, once bool) {
		var wires []chipmodel.LineSet
		for ; len(data) >= 2 && len(wires) < 40; data = data[2:] {
			w := chipmodel.LineSet(binary.LittleEndian.Uint16(data))
			wires = append(wires, w|w&7<<60) // lines at the far end too
		}
		w := New(wires)
		var target []int
		for i := range wires {
			if chosen>>i&1 != 0 {
				target = append(target, i)
			}
		}
		opt := Options{Once: once, Work: 20_000}
		c, err := w.Cover(target, opt)
		var te *TargetError
		var ue *UnreachableError
		var ce *ClashError
		switch {
		case err == nil:
			checkDefinition(t, wires, target, opt, c)
		case errors.As(err, &te):
			if len(target) > 0 {
				t.Errorf("%v", err)
			}
		case errors.As(err, &ue):
			checkBlocked(t, w, target, ue)
		case errors.As(err, &ce):
			if !once || len(ce.Chips) < 2 {
				t.Errorf("%v", err)
			}
		default:
			t.Errorf("unexpected error %v", err)
		}
	})
}

// BenchmarkCover resolves hard instances, with brute force beside it on those that
// it can do.
func BenchmarkCover(b *testing.B) {
	for _, o := range optima(b) {
		switch o.Name {
		case "rnd01-2d-full-2x4", "rnd03-2d-full-4x4", "rnd09-2d-full-8x8", "rnd29-3-of-m-m10", "complement-diagonal-7":
		default:
			continue
		}
		for _, once := range []bool{false, true} {
			kind := map[bool]string{false: "/cover", true: "/partition"}[once]
			w := o.wiring()
			b.Run(o.Name+kind, func(b *testing.B) {
				for b.Loop() {
					if _, err := w.Cover(o.Target, Options{Once: once}); err != nil {
						b.Fatal(err)
					}
				}
			})
			if len(o.Target) <= 12 {
				b.Run(o.Name+kind+"/brute force", func(b *testing.B) {
					for b.Loop() {
						bruteForce(w.wires, o.Target, o.Lines, once, nil)
					}
				})
			}
		}
	}
}

// BenchmarkThousandChips resolves broadcast, every plane and every single chip of
// 1,024 chips on 32 lines.
func BenchmarkThousandChips(b *testing.B) {
	w := gridWiring(16, 8, 8)
	all := indices(1024)
	b.ReportAllocs()
	for b.Loop() {
		start := time.Now()
		targets := [][]int{all}
		for i := range 16 {
			targets = append(targets, all[i*64:(i+1)*64])
		}
		for i := range all {
			targets = append(targets, all[i:i+1])
		}
		for _, target := range targets {
			if c, err := w.Cover(target, Options{}); err != nil || len(c.Words) != 1 {
				b.Fatal(c, err)
			}
		}
		b.ReportMetric(float64(time.Since(start).Microseconds())/float64(len(targets)), "us/target")
	}
}
