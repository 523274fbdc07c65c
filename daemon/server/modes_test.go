package server

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Everything that the daemon keeps has the modes that were asked for, whatever the umask is: a
// walk over a data folder in which every part has written something.
func TestModesOfTheData(t *testing.T) {
	before := syscall.Umask(0)
	defer syscall.Umask(before)
	for readers, want := range map[string]struct{ file, folder fs.FileMode }{
		"": {0o600, 0o700}, "data_readers: none\n": {0o600, 0o700},
		"data_readers: group\n": {0o640, 0o750}, "data_readers: all\n": {0o644, 0o755},
	} {
		syscall.Umask(before)
		s := newSite(t)
		data := filepath.Join(s.dir, "data")
		s.config("data: " + data + "\n" + readers)
		syscall.Umask(0o027)
		p := s.start()
		p.create(groupTask("extra", "bed", 3))
		conn := p.dial(p.Addresses().GRPC)
		recordings := facetdv1.NewRecordServiceClient(conn)
		if _, err := recordings.StartRecording(limited(t), &facetdv1.StartRecordingRequest{Name: "r"}); err != nil {
			t.Fatal(err)
		}
		if _, err := recordings.StopRecording(limited(t), &facetdv1.StopRecordingRequest{Name: "r"}); err != nil {
			t.Fatal(err)
		}
		makeMaps(t, p)
		p.end()
		found := map[string]bool{}
		err := filepath.WalkDir(data, func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			info, err := os.Stat(path)
			if err != nil {
				return err
			}
			mode := want.file
			if d.IsDir() {
				mode = want.folder
			}
			if info.Mode().Perm() != mode {
				t.Errorf("%q: %s has mode %03o, want %03o", readers, path, info.Mode().Perm(), mode)
			}
			name, err := filepath.Rel(data, path)
			if !d.IsDir() {
				found[filepath.Dir(name)] = true
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, dir := range []string{"tasks", "events", "recordings", "correction-maps"} {
			if !found[dir] {
				t.Errorf("%q: nothing was written in %s: %v", readers, dir, found)
			}
		}
	}
}
