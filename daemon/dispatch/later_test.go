package dispatch

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// laterWatcher is a watcher that need not look at what it is given; it keeps how to.
type laterWatcher struct {
	watcher
	looks map[*facetdv1.FrameSet]func()
}

func (w *laterWatcher) JobEndedLater(fs *facetdv1.FrameSet, look func()) {
	if w.looks != nil {
		w.looks[fs] = look
		w.JobEnded(fs)
	}
}

// TestFrameSetsLater: a frame set whose pixels nobody was known to want is, once looked at, the one that it would have
// been, whichever of them are looked at and in whatever order; and whoever cannot be told to look gets all pixels.
func TestFrameSetsLater(t *testing.T) {
	t.Parallel()
	const stretch = 300 * time.Millisecond
	light, err := demoLight()
	if err != nil {
		t.Fatal(err)
	}
	key := func(fs *facetdv1.FrameSet) string { return fmt.Sprint(fs.GetTask(), fs.GetJob()) }
	fixed := func(fs *facetdv1.FrameSet) *facetdv1.FrameSet { // what does not go by the host's clock
		fs = proto.CloneOf(fs)
		for _, f := range fs.GetFrames() {
			f.FirstSampleTime, f.TimeUncertaintyNs, f.FirstSampleMonotonicNs = nil, 0, 0
		}
		return fs
	}
	run := func(change func(*Config)) {
		if err := demoRigUnder(t, light, 1, stretch, change).Run(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	want := map[string]*facetdv1.FrameSet{}
	all, plain, later := &watcher{}, &watcher{}, &laterWatcher{looks: map[*facetdv1.FrameSet]func(){}}
	run(func(cfg *Config) { cfg.Observer = all })
	for _, fs := range all.sets {
		want[key(fs)] = fixed(fs)
	}
	same := func(what string, fs *facetdv1.FrameSet) {
		if got := fixed(fs); !proto.Equal(got, want[key(fs)]) {
			t.Errorf("%s: %s, job %d: %v\nwant %v", what, fs.GetTask(), fs.GetJob(), got, want[key(fs)])
		}
	}
	run(func(cfg *Config) { cfg.Observer, cfg.Wanted = plain, func(string) bool { return false } })
	for _, fs := range plain.sets {
		same("an observer that wants all", fs)
	}
	seed := peertest.Seed(t)
	r := rand.New(rand.NewPCG(seed, 1))
	run(func(cfg *Config) { cfg.Observer, cfg.Wanted = later, func(string) bool { return r.IntN(4) == 0 } })
	if len(plain.sets) != len(want) || len(later.sets) != len(want) || len(later.looks) < len(want)/2 {
		t.Fatalf("seed %d: %d and %d sets of %d, %d put off", seed, len(plain.sets), len(later.sets), len(want),
			len(later.looks))
	}
	for _, i := range r.Perm(len(later.sets))[:len(want)/2] {
		fs := later.sets[i]
		if look := later.looks[fs]; look != nil {
			look()
			look()
		}
		same(fmt.Sprintf("seed %d, looked at later", seed), fs)
	}
}
