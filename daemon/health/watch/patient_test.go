package watch

import (
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/health"
)

// patientDesk is a desk whose service is patient, with a function that lets frames end in so many tenths of a second:
// it looks at each that is due at once, and returns how many that were. put says that their pixels are put off.
func patientDesk(t *testing.T) (*desk, func(tenths int, put bool) int) {
	d := newDesk(t)
	d.cfg.Patient = true
	d.PlanChanged(plan(), 0, 0)
	job := int64(0)
	return d, func(tenths int, put bool) int {
		looks := 0
		for range tenths {
			job++
			d.now = d.now.Add(100 * time.Millisecond)
			look := func() {}
			if !put {
				look = nil
			}
			d.JobEndedLater(&facetdv1.FrameSet{Task: "t", Job: uint64(job), FinishBusNs: job * 1e8,
				Frames: []*facetdv1.Frame{{Chip: "m0", View: "v", Rows: 2, Columns: 2, Data: make([]byte, 8)}}}, look)
			for d.look(t.Context()) {
				looks++
			}
		}
		return looks
	}
}

// TestPatience: of pixels that are put off and while nobody calls there are two looks in five seconds, one right after
// the other; where somebody calls, whatever for, the next frame is looked at and then one a second, for ten seconds.
// Pixels that are there anyhow are looked at as often as ever, and so is everything where patience is not wished.
func TestPatience(t *testing.T) {
	d, run := patientDesk(t)
	run(100, true)
	if n := run(600, true); n < 23 || n > 25 {
		t.Errorf("%d looks in a minute while nobody calls, want 24", n)
	}
	d.Called()()
	if n := run(11, true); n < 1 {
		t.Error("no look within a second of a call")
	}
	if n := run(80, true); n < 9 || n > 12 {
		t.Errorf("%d looks in 8 s after a call, want 10", n)
	}
	run(100, true)
	if n := run(100, true); n != 4 {
		t.Errorf("%d looks in 10 s long after a call, want 4", n)
	}
	d.Health(t.Context())
	if n := run(90, true); n < 10 || n > 13 {
		t.Errorf("%d looks in 9 s after somebody asked for the health, want about 11", n)
	}
	run(100, false)
	if n := run(600, false); n < 73 || n > 77 {
		t.Errorf("%d looks in a minute at pixels that are there, want 75", n)
	}
	d.cfg.Patient = false
	run(100, true)
	if n := run(600, true); n < 73 || n > 77 {
		t.Errorf("%d looks in a minute without patience, want 75", n)
	}
}

// TestPatienceEndsWithStreams: while a call lasts, as a stream that somebody follows does, chips are looked at as often
// as ever, however long that is; and ten seconds more.
func TestPatienceEndsWithStreams(t *testing.T) {
	d, run := patientDesk(t)
	over, other := d.Called(), d.Called()
	run(300, true)
	other()
	run(200, true)
	if n := run(600, true); n < 73 || n > 77 {
		t.Errorf("%d looks in a minute while a stream is open, want 75", n)
	}
	over()
	if n := run(90, true); n < 10 || n > 13 {
		t.Errorf("%d looks in 9 s after it has ended, want about 11", n)
	}
	run(100, true)
	if n := run(600, true); n < 23 || n > 25 {
		t.Errorf("%d looks in a minute long after it has ended, want 24", n)
	}
}

// TestPatienceFindsFaults: while nobody calls a chip that stops driving its lane is found five seconds and three frames
// later at most.
func TestPatienceFindsFaults(t *testing.T) {
	for offset := range 12 {
		array := newDesk(t).cfg.Array
		chip, m := array.Chip("m0"), health.New(array)
		m.Plan(plan().GetTasks(), 0)
		m.Rest(true)
		expected := m.Expected("t", chip, "v")
		if expected == nil {
			t.Fatal("nothing is expected of the chip")
		}
		dead := int64(20e9) + int64(offset)*5e8
		for at := int64(1e8); ; at += 1e8 {
			if at > dead+5e9+4e8 {
				t.Fatalf("offset %d: not found 5 s and three frames later", offset)
			}
			fs := &facetdv1.FrameSet{Task: "t", FinishBusNs: at, Frames: []*facetdv1.Frame{{Chip: "m0", View: "v"}}}
			if len(m.JobEnded(fs)) == 0 {
				continue
			}
			s := health.Sample{Task: "t", View: "v", At: at, Pixels: 1024, Mean: expected.Highest / 2,
				Spread: 20 * expected.UndrivenLimit(), Noise: -1, Hot: -1}
			if at >= dead {
				s.Spread = 0
			}
			if m.Take(chip, s) {
				if at < dead {
					t.Fatalf("offset %d: found before", offset)
				}
				break
			}
		}
	}
}
