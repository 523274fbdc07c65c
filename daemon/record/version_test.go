package record

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/foxglove/mcap/go/mcap"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestARecordingOfAnotherVersion: where messages cannot be read, those of another schema are told from damaged ones.
func TestARecordingOfAnotherVersion(t *testing.T) {
	md := (&facetdv1.Event{}).ProtoReflect().Descriptor()
	for _, other := range []bool{false, true} {
		path := filepath.Join(t.TempDir(), "drive-001.mcap")
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		p, err := newPartWriter(f, ChunkBytes, nil)
		if err != nil {
			t.Fatal(err)
		}
		if other {
			p.schemas[md.FullName()] = 1
			if err := p.w.WriteSchema(&mcap.Schema{ID: 1, Name: string(md.FullName()), Encoding: encodingProtobuf,
				Data: []byte("an earlier one")}); err != nil {
				t.Fatal(err)
			}
		}
		if err := p.writeData(TopicEvents, md, []byte{0x0a}, stamp{1, 1}, false); err != nil {
			t.Fatal(err)
		}
		if err := p.finish(); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		r, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		failed := false
		for _, err := range r.All() {
			if err == nil {
				continue
			}
			failed = true
			if got := strings.Contains(err.Error(), "another version of facetd"); got != other {
				t.Errorf("another schema %v: %v", other, err)
			}
		}
		if !failed {
			t.Error("a message that is cut off was read")
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}
}
