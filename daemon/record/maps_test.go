package record

import (
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestARecordingHasTheMapsUsed: every file begins with the correction maps that are active, says of each change of
// them, and is not closed early because of what they take.
func TestARecordingHasTheMapsUsed(t *testing.T) {
	noise := make([]float32, 64<<10) // which takes more than a whole file may
	for i := range noise {
		noise[i] = float32(i*i%9973) / 7
	}
	one := &facetdv1.CorrectionMap{Id: "c-1", ChecksumSha256: "1", Data: &facetdv1.CorrectionMapData{Offset: noise}}
	two := &facetdv1.CorrectionMap{Id: "d-2", ChecksumSha256: "2", Data: &facetdv1.CorrectionMapData{Offset: noise[:9]}}
	m, _, dir := manager(t, func(c *Config) {
		c.Maps = func() []*facetdv1.CorrectionMap { return []*facetdv1.CorrectionMap{one, two} }
	})
	if _, err := m.Start("drive", &facetdv1.RecordingOptions{PartBytes: MinPartBytes}); err != nil {
		t.Fatal(err)
	}
	s := newSource(1)
	for range 20 {
		m.JobEnded(s.next("look", 8))
	}
	gone := &facetdv1.CorrectionMap{Id: "c-1", ChecksumSha256: "1",
		State: facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_REPLACED}
	m.MapChanged(gone)
	m.JobEnded(s.next("look", 8))
	stopped, err := m.Stop(t.Context(), "drive")
	if err != nil || len(stopped.GetParts()) != 1 || stopped.GetFrameSets() != 21 || stopped.GetLost() != 0 {
		t.Fatal(stopped, err)
	}
	r, err := Open(filepath.Join(dir, stopped.GetParts()[0].GetFile()))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var maps []*facetdv1.CorrectionMap
	sets, before := 0, 0
	for e, err := range r.All() {
		switch {
		case err != nil:
			t.Fatal(err)
		case e.Frames != nil:
			sets++
		case e.Map != nil:
			maps, before = append(maps, e.Map), sets
			if at := time.Unix(0, int64(e.LogNS)); at.Before(epoch) {
				t.Error(at)
			}
		}
	}
	if len(maps) != 3 || before != 20 || !proto.Equal(maps[0], one) || !proto.Equal(maps[1], two) ||
		!proto.Equal(maps[2], gone) {
		t.Errorf("%d correction maps, the last behind %d frame sets", len(maps), before)
	}
}
