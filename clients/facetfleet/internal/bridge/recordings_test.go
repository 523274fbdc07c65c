package bridge

import (
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	fleetv1 "facetd.example/api/facetfleet/v1"
)

// TestTheNextUpload: the file on its way goes before those that wait, and of these the oldest; one that fails over and
// over keeps no other waiting, and where all fail each has its turn.
func TestTheNextUpload(t *testing.T) {
	at := func(s int64) *timestamppb.Timestamp { return timestamppb.New(time.Unix(s, 0)) }
	files := map[string]*fleetv1.RecordingFile{
		"stored":   {State: stored, StartTime: at(1)},
		"robot":    {State: onRobot, StartTime: at(2)},
		"gone":     {State: gone, StartTime: at(3)},
		"troubled": {State: uploading, StartTime: at(4), Trouble: "the disk", Time: at(50)},
		"young":    {State: wanted, StartTime: at(9)},
		"old":      {State: wanted, StartTime: at(5)},
		"on-way":   {State: uploading, StartTime: at(8)},
	}
	r := &recordings{files: files}
	var got []string
	for now := int64(100); len(got) < 7; now++ {
		key, f := r.next()
		got = append(got, key)
		if now < 103 { // the first three arrive, the others fail
			files[key].State = stored
			continue
		}
		if f.GetTrouble() == "" {
			t.Fatalf("%s has no trouble", key)
		}
		files[key].Time = at(now)
		if len(got) == 5 { // another one is recorded, and fails too
			files["last"] = &fleetv1.RecordingFile{State: wanted, StartTime: at(rand.Int64N(200)), Trouble: "x",
				Time: at(90)}
		}
	}
	want := []string{"on-way", "old", "young", "troubled", "troubled", "last", "troubled"}
	for i := range want {
		if got[i] != want[i] {
			t.Fatalf("they went as %v, want %v", got, want)
		}
	}
	delete(files, "last")
	files["troubled"].State = stored
	if key, f := r.next(); f != nil {
		t.Errorf("%s goes where nothing is wanted", key)
	}
}
