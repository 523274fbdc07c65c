package fleet

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/subject"
)

// TestAnObjectIsTheRobotsOwn: a robot cannot have people fetch what lies outside its own folder of the bucket.
func TestAnObjectIsTheRobotsOwn(t *testing.T) {
	for object, taken := range map[string]bool{
		"": true, "crawler=20A/tag/a-001.mcap": true, "crawler=20A/..a/b": true,
		"mole/tag/a-001.mcap": false, "crawler=20A": false, "crawler=20A/../mole/tag/a": false,
		"crawler=20A/tag/../../../b": false, "crawler=20A//a": false, "crawler=20A/./a": false, "/crawler=20A/a": false,
	} {
		data, err := proto.Marshal(&fleetv1.RecordingFile{File: "a", Robot: "mole", Key: object})
		if err != nil {
			t.Fatal(err)
		}
		f := recordingOf(subject.Recording("crawler A", "a", time.Time{}), data)
		if f.GetRobot() != "crawler A" || (f.GetKey() == object && f.GetFile() == "a") != taken ||
			strings.Contains(f.GetTrouble(), "cannot be taken") == taken {
			t.Errorf("%q: %v", object, f)
		}
	}
}
