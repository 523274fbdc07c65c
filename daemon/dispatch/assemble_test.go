package dispatch

import (
	"context"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
)

// inPlace watches whether codes lie in frames where the bus has put them.
type inPlace struct {
	*watcher
	codes map[*byte]bool // first bytes of captures
	seen  int
	moved int
}

func (w *inPlace) SegmentRun(task string, r *bus.Result, words WordCount) {
	for i := range r.Captures {
		w.codes[&dataOf(r.Captures[i].Codes)[0]] = true
	}
	w.watcher.SegmentRun(task, r, words)
}

func (w *inPlace) JobEnded(fs *facetdv1.FrameSet) {
	for _, f := range fs.GetFrames() {
		w.seen++
		if !w.codes[&f.GetData()[0]] {
			w.moved++
		}
	}
	clear(w.codes)
	w.watcher.JobEnded(fs)
}

// TestCodesAreNotCopied: from the bus to the frame set nothing is copied; a bus that brings codes of its own, and a
// processor that keeps numbers the other way round, give the same frame sets.
func TestCodesAreNotCopied(t *testing.T) {
	const stretch = 250 * time.Millisecond
	r := demoRig(t, 3, stretch)
	w := &inPlace{watcher: r.watch, codes: map[*byte]bool{}}
	r.runner.report.observer = w
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if w.seen < 30 || w.moved > 0 {
		t.Errorf("of %d frames %d were copied", w.seen, w.moved)
	}
	same := func(name string, other *rig) {
		if err := other.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		got, want := other.watch.sets, r.watch.sets
		if len(got) != len(want) || len(want) == 0 {
			t.Fatalf("%s: %d frame sets, want %d", name, len(got), len(want))
		}
		for i := range want {
			forgetHost(got[i])
			forgetHost(want[i])
			if !proto.Equal(got[i], want[i]) {
				t.Fatalf("%s: frame set %d differs", name, i)
			}
		}
	}
	own := demoRig(t, 3, stretch)
	own.runner.cfg.Bus = bustest.Intercept(own.bus, func(ctx context.Context, start bus.Time, s *bus.Segment,
		run bustest.RunFunc) (bus.Result, error) {
		bare := *s
		bare.Into = nil
		return run(ctx, start, &bare)
	})
	same("a bus with codes of its own", own)
	littleEndian = !littleEndian
	defer func() { littleEndian = !littleEndian }()
	swapped := demoRig(t, 3, stretch)
	same("the other order of bytes", swapped)
}

// forgetHost takes out of a frame set what depends on the host's clock.
func forgetHost(fs *facetdv1.FrameSet) {
	for _, f := range fs.GetFrames() {
		f.FirstSampleTime, f.TimeUncertaintyNs = nil, 0
	}
}
