package record

import (
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestPixelsForRecordings: pixels that were put off are looked at where a recording wants the frame set, and only
// there.
func TestPixelsForRecordings(t *testing.T) {
	m, _, _ := manager(t, nil)
	looked := 0
	src := newSource(1)
	end := func(task string) { m.JobEndedLater(src.next(task, 4), func() { looked++ }) }
	end("wall")
	if m.Wants("wall") || looked != 0 {
		t.Errorf("nobody records: wanted %v, looked %d times", m.Wants("wall"), looked)
	}
	start(t, m, "r", &facetdv1.RecordingOptions{Tasks: []string{"wall"}})
	end("bed")
	if m.Wants("bed") || !m.Wants("wall") || looked != 0 {
		t.Errorf("the wall is recorded: wanted %v and %v, looked %d times", m.Wants("wall"), m.Wants("bed"), looked)
	}
	end("wall")
	if rec := stop(t, m, "r"); looked != 1 || rec.GetFrameSets() != 1 || m.Wants("wall") {
		t.Errorf("looked %d times, recorded %d", looked, rec.GetFrameSets())
	}
}

// TestRecordingStartsMeanwhile: a recording that starts while a frame set whose pixels were put off is handed out
// begins after it. Who records is settled once: one that starts between the look, if there is one, and the recording
// would be given pixels that nobody has looked at.
func TestRecordingStartsMeanwhile(t *testing.T) {
	m, _, _ := manager(t, nil)
	src := newSource(1)
	start(t, m, "first", nil)
	looked := 0
	m.JobEndedLater(src.next("wall", 4), func() {
		looked++
		start(t, m, "second", nil)
	})
	first, second := stop(t, m, "first"), stop(t, m, "second")
	if looked != 1 || first.GetFrameSets() != 1 || second.GetFrameSets() != 0 {
		t.Errorf("looked %d times, recorded %d and %d frame sets", looked, first.GetFrameSets(), second.GetFrameSets())
	}
}
