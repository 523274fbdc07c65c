package fleet

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
)

// Recordings are the files of recordings that the hub's index has, of one robot or, without a name, of all: by robot,
// the newest recording first.
func Recordings(ctx context.Context, c *hub.Conn, robot string) ([]*fleetv1.RecordingFile, error) {
	bucket, err := c.JS.KeyValue(ctx, subject.Recordings)
	if err != nil {
		return nil, explain(err)
	}
	keys := ">"
	if robot != "" {
		keys = subject.RecordingsOf(robot)
	}
	w, err := bucket.Watch(ctx, keys, jetstream.IgnoreDeletes())
	if err != nil {
		return nil, explain(err)
	}
	defer w.Stop()
	var all []*fleetv1.RecordingFile
	for {
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case entry, open := <-w.Updates():
			switch {
			case !open:
				return nil, errors.New("the hub ended the list of recordings")
			case entry == nil:
				slices.SortFunc(all, func(a, b *fleetv1.RecordingFile) int {
					return cmp.Or(cmp.Compare(a.GetRobot(), b.GetRobot()),
						b.GetStartTime().AsTime().Compare(a.GetStartTime().AsTime()),
						cmp.Compare(a.GetFile(), b.GetFile()))
				})
				return all, nil
			}
			if f := recordingOf(entry.Key(), entry.Value()); f != nil {
				all = append(all, f)
			}
		}
	}
}

// recordingOf reads what a robot says of a file. A robot may say anything: one that cannot be read is told so, and one
// whose object is not the robot's is none.
func recordingOf(key string, data []byte) *fleetv1.RecordingFile {
	robot, err := subject.RobotOfRecording(key)
	if err != nil {
		return nil
	}
	f := &fleetv1.RecordingFile{}
	if err = proto.Unmarshal(data, f); err == nil {
		err = checkTimes(f.GetStartTime(), f.GetEndTime(), f.GetTime())
	}
	if err == nil && f.GetKey() != "" &&
		(!strings.HasPrefix(f.GetKey(), subject.Escape(robot)+"/") || path.Clean(f.GetKey()) != f.GetKey()) {
		err = fmt.Errorf("its object %q is not below the robot's name", f.GetKey())
	}
	if err != nil {
		f = &fleetv1.RecordingFile{Trouble: "what the robot says of it cannot be taken: " + err.Error()}
	}
	// The hub grants a robot its own keys alone; a name within a message is what its sender says.
	f.Robot = robot
	return f
}
