package server

import (
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/access"
	"facetd.example/daemon/config"
)

// TestRecordingsOfADaemon: what one has recorded comes over HTTP as it lies on its disk, and is deleted when it is
// older than is kept.
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

// TestADownloadEndsWithItsToken: a file over HTTP is handed out to those with a role alone, and no longer than they
// have it, whether they read or not.
func TestADownloadEndsWithItsToken(t *testing.T) {
	t.Parallel()
	g := startGuarded(t, func(c *Setup, _ *guarded) { c.Data = t.TempDir() })
	const size = 1 << 30 // nothing on the disk, and more than a connection holds
	path := filepath.Join(g.cfg.Data, "recordings", "large-001.mcap")
	if err := errors.Join(os.WriteFile(path, nil, 0o600), os.Truncate(path, size)); err != nil {
		t.Fatal(err)
	}
	token := g.tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour))
	g.reload(t)
	ask := func(token string) *http.Response {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), "GET", "https://"+g.Addresses().HTTP+
			"/recordings/large-001.mcap", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.SetBasicAuth("anybody", token)
		client := &http.Client{Transport: &http.Transport{TLSClientConfig: g.clientTLS(), DisableKeepAlives: true}}
		a, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { a.Body.Close() })
		return a
	}
	if a := ask("nobody's"); a.StatusCode != 401 {
		t.Errorf("without a token that counts: status %d", a.StatusCode)
	}
	a := ask(token)
	if _, err := io.CopyN(io.Discard, a.Body, 1<<20); err != nil || a.StatusCode != 200 {
		t.Fatal(a.Status, err)
	}
	unread := ask(token)
	begin, waits := time.Now(), starved()
	g.tokens.Clear()
	g.reload(t)
	n, err := io.Copy(io.Discard, a.Body)
	if took := time.Since(begin) - waits(); err == nil || took > access.EndOfStreamLimit {
		t.Errorf("%d bytes more came, until %v, for %v after the token was taken away", n, err, took)
	}
	if n, err := io.Copy(io.Discard, unread.Body); err == nil {
		t.Errorf("somebody who did not read got %d bytes all the same", n)
	}
}
