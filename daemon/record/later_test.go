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
