package server

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/config"
)

// TestRecordingsOfADaemon: what one has recorded comes over HTTP as it lies on its disk, and is deleted when it is
// older
// than is kept.
func TestRecordingsOfADaemon(t *testing.T) {
	t.Parallel()
	c := quick()
	c.Pace, c.Tasks, c.Data = config.Realtime, config.None, t.TempDir()
	c.Recordings = config.Recordings{KeepFor: time.Hour}
	dir := filepath.Join(c.Data, "recordings")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	old := filepath.Join(dir, "old-001.mcap")
	if err := os.WriteFile(old, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	yesterday := time.Now().Add(-24 * time.Hour)
	if err := os.Chtimes(old, yesterday, yesterday); err != nil {
		t.Fatal(err)
	}
	p := start(t, c)
	eventually(t, "the old recording is gone", func() bool { _, err := os.Stat(old); return os.IsNotExist(err) })
	records := facetdv1.NewRecordServiceClient(p.dial(p.Addresses().GRPC))
	if _, err := records.StartRecording(limited(t), &facetdv1.StartRecordingRequest{Name: "drive"}); err != nil {
		t.Fatal(err)
	}
	if code, _ := p.get("/recordings/drive-001.mcap"); code != 409 {
		t.Errorf("a file that is written: status %d", code)
	}
	stopped, err := records.StopRecording(limited(t), &facetdv1.StopRecordingRequest{Name: "drive"})
	if err != nil {
		t.Fatal(err)
	}
	file := stopped.GetRecording().GetParts()[0].GetFile()
	want, err := os.ReadFile(filepath.Join(dir, file))
	if err != nil {
		t.Fatal(err)
	}
	if code, body := p.get("/recordings/" + file); code != 200 || body != string(want) {
		t.Errorf("status %d, %d bytes of %d", code, len(body), len(want))
	}
	if n := p.metric(`facetd_recordings_deleted_total{reason="age"}`); n != 1 {
		t.Errorf("%g are counted", n)
	}
}
