package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/peertest"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/facetfleet/internal/store"
	"facetd.example/clients/facetfleet/internal/storetest"
)

// bridgeProcess is a bridge as a process, which can be killed; peak is the most memory that it had so far, in bytes.
func bridgeProcess(t testing.TB, args ...string) (kill func(), peak func() int) {
	t.Helper()
	var errs bytes.Buffer
	cmd := exec.Command(filepath.Join(filepath.Dir(facetd(t)), "facetfleet"), append([]string{"bridge"}, args...)...)
	cmd.Stderr = &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill = func() {
		if cmd.ProcessState == nil {
			cmd.Process.Kill()
			cmd.Wait()
			if t.Failed() {
				t.Logf("a bridge said:\n%s", &errs)
			}
		}
	}
	t.Cleanup(kill)
	return kill, func() (kb int) {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
		if err != nil {
			t.Fatal(err)
		}
		_, after, _ := strings.Cut(string(text), "VmHWM:")
		if _, err := fmt.Sscan(after, &kb); err != nil {
			t.Fatal(err)
		}
		return kb << 10
	}
}

// indexed waits until a file of a recording is in the index as is wanted of it.
func indexed(t testing.TB, c *hub.Conn, file string,
	is func(*fleetv1.RecordingFile) bool) (found *fleetv1.RecordingFile) {
	t.Helper()
	natstest.Wait(t, "the index of "+file, func() error {
		all, err := fleet.Recordings(t.Context(), c, "crawler")
		if err != nil {
			return err
		}
		for _, f := range all {
			if f.GetFile() == file && is(f) {
				found = f
				return nil
			}
		}
		return fmt.Errorf("it is %v", all)
	})
	return found
}

func isStored(f *fleetv1.RecordingFile) bool {
	return f.GetState() == fleetv1.FileState_FILE_STATE_STORED
}

// plant puts a file of bytes by chance where the daemon has its recordings.
func plant(t testing.TB, data, name string, size int) []byte {
	t.Helper()
	var seed [32]byte
	for i := range seed {
		seed[i] = byte(rand.Uint32())
	}
	t.Logf("seed %x", seed)
	content := make([]byte, size)
	rand.NewChaCha8(seed).Read(content)
	dir := filepath.Join(data, "recordings")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name), content, 0o600); err != nil {
		t.Fatal(err)
	}
	return content
}

// TestUploadsGoOn: an upload in whose middle the storage is killed, and after that the bridge, goes on where it was,
// and what is stored is what the robot has, byte for byte. The robot's copy stays.
func TestUploadsGoOn(t *testing.T) {
	t.Parallel()
	storage, server := storetest.Start(t), natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	data := t.TempDir()
	parts := peertest.Cases(4, 60)
	content := plant(t, data, "survey-001.mcap", parts*store.LeastPart+12345)
	daemon := startProcess(t, "--data", data)
	args := []string{"--hub", server.URL, "--robot", "crawler", "--address", daemon.address, "--s3", storage.Bucket +
		"/fleet", "--s3-key", storage.KeyFile, "--upload-bytes", fmt.Sprint(peertest.Cases(8, 24) << 20)}
	kill, _ := bridgeProcess(t, args...)
	part := func(n uint64) func(*fleetv1.RecordingFile) bool {
		return func(f *fleetv1.RecordingFile) bool { return f.GetSentBytes() >= n*store.LeastPart }
	}

	indexed(t, c, "survey-001.mcap", part(1))
	storage.Kill()
	indexed(t, c, "survey-001.mcap", func(f *fleetv1.RecordingFile) bool { return f.GetTrouble() != "" })
	storage.Run()
	indexed(t, c, "survey-001.mcap", part(2))
	kill()
	if f := indexed(t, c, "survey-001.mcap", part(2)); isStored(f) {
		t.Fatalf("it was stored before the bridge was killed: %v", f)
	}
	again := time.Now()
	_, peak := bridgeProcess(t, args...)
	if peertest.All() { // given up after 30 s
		indexed(t, c, "survey-001.mcap", part(4))
		storage.Hang()
		indexed(t, c, "survey-001.mcap", func(f *fleetv1.RecordingFile) bool { return f.GetTrouble() != "" })
		storage.Go()
	}
	f := indexed(t, c, "survey-001.mcap", isStored)

	got, err := storage.Object("fleet/" + f.GetKey())
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, content) || f.GetSha256() != fmt.Sprintf("%x", sha256.Sum256(content)) {
		t.Errorf("%d bytes are stored and differ from the %d of the robot, or the digest %s does", len(got),
			len(content),
			f.GetSha256())
	}
	r := fresh(t, c, "crawler", again)
	for r.GetUploads().GetStoredFiles() == 0 {
		r = fresh(t, c, "crawler", r.Stored)
	}
	if sent := r.GetUploads().GetSentBytes(); sent == 0 ||
		sent > uint64(len(content)-peertest.Cases(2, -1)*store.LeastPart) { // one more after it hung
		t.Errorf("the second bridge sent %d bytes of %d, of which the storage had two parts", sent, len(content))
	}
	if most := peak(); most > 100<<20 {
		t.Errorf("the bridge took %d bytes of memory to upload %d in parts of %d", most, len(content), store.LeastPart)
	} else {
		t.Logf("uploaded: %d bytes with %d of memory at most;", len(content), most)
	}
	if kept, err := os.ReadFile(filepath.Join(data, "recordings", "survey-001.mcap")); err != nil ||
		!bytes.Equal(kept, content) {
		t.Errorf("the robot's copy: %v", err)
	}
	fetched(t, server.URL, storage, content)
}

// fetched fetches a file as a user does: after a part of it that an earlier try left, and not over what is there.
func fetched(t *testing.T, url string, storage *storetest.Server, content []byte) {
	t.Helper()
	out := filepath.Join(t.TempDir(), "survey.mcap")
	if err := os.WriteFile(out+".part", content[:100_000], 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"recordings", "fetch", "--robot", "crawler", "--file", "survey-001.mcap", "--s3", storage.Bucket +
		"/fleet", "--s3-key", storage.KeyFile, "--out", out}
	if status, stdout, errs := run(t, url, args...); status != 0 || !strings.Contains(stdout, "as crawler has them") {
		t.Errorf("fetch: status %d, %s%s", status, stdout, errs)
	}
	if got, err := os.ReadFile(out); err != nil || !bytes.Equal(got, content) {
		t.Errorf("what was fetched differs, or %v", err)
	}
	if status, _, errs := run(t, url, args...); status != 1 || !strings.Contains(errs, "is there already") {
		t.Errorf("fetch over a file: status %d, %s", status, errs)
	}
	if err := os.WriteFile(out+".2.part", make([]byte, 100_000), 0o600); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := run(t, url, append(args, "--out", out+".2")...); status != 1 ||
		!strings.Contains(errs, "not what the robot had") {
		t.Errorf("fetch behind other bytes: status %d, %s", status, errs)
	}
}

// TestRecordingsThatAreAskedFor: a bridge told so uploads what is asked for alone; a recording that is deleted before
// is gone in the index, and one whose upload was begun leaves nothing half in the storage.
func TestRecordingsThatAreAskedFor(t *testing.T) {
	t.Parallel()
	storage, server := storetest.Start(t), natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	data := t.TempDir()
	plant(t, data, "kept-001.mcap", 1000)
	plant(t, data, "dropped-001.mcap", 1000)
	daemon := startProcess(t, "--data", data)
	records := facetdv1.NewRecordServiceClient(daemon.Conn())
	if _, err := records.StartRecording(t.Context(), &facetdv1.StartRecordingRequest{Name: "drive"}); err != nil {
		t.Fatal(err)
	}
	args := []string{"--hub", server.URL, "--robot", "crawler", "--address", daemon.address, "--s3", storage.Bucket,
		"--s3-key", storage.KeyFile, "--upload", "asked"}
	kill, _ := bridgeProcess(t, args...)
	onRobot := func(f *fleetv1.RecordingFile) bool { return f.GetState() == fleetv1.FileState_FILE_STATE_ON_ROBOT }
	indexed(t, c, "kept-001.mcap", onRobot)
	indexed(t, c, "dropped-001.mcap", onRobot)
	natstest.Wait(t, "frame sets", func() error {
		rec, err := records.GetRecording(t.Context(), &facetdv1.GetRecordingRequest{Name: "drive"})
		if err == nil && rec.GetRecording().GetFrameSets() == 0 {
			err = fmt.Errorf("none yet")
		}
		return err
	})
	if status, _, errs := run(t, server.URL, "recordings", "upload", "--robot", "crawler", "--recording",
		"drive"); status != 1 || !strings.Contains(errs, "no finished recording") {
		t.Errorf("a recording that runs: status %d, %s", status, errs)
	}
	if _, err := records.StopRecording(t.Context(), &facetdv1.StopRecordingRequest{Name: "drive"}); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := run(t, server.URL, "recordings", "upload", "--robot", "crawler", "--recording",
		"drive"); status != 0 {
		t.Fatalf("upload: status %d, %s", status, errs)
	}
	f := indexed(t, c, "drive-001.mcap", isStored)
	got, err := storage.Object(f.GetKey())
	if want, _ := os.ReadFile(filepath.Join(data, "recordings", "drive-001.mcap")); err != nil ||
		!bytes.Equal(got, want) || f.GetFrameSets() == 0 {
		t.Errorf("%v: %v", f, err)
	}
	// What goes while nobody looks is noticed by the next bridge, from the hub's index.
	kill()
	if _, err := records.DeleteRecording(t.Context(), &facetdv1.DeleteRecordingRequest{Name: "dropped"}); err != nil {
		t.Fatal(err)
	}
	bridgeProcess(t, args...)
	indexed(t, c, "dropped-001.mcap", func(f *fleetv1.RecordingFile) bool {
		return f.GetState() == fleetv1.FileState_FILE_STATE_GONE
	})
	indexed(t, c, "kept-001.mcap", onRobot)
	status, out, errs := run(t, server.URL, "recordings", "list", "--output", "json")
	var list struct {
		Files []struct{ File, State string }
	}
	if err := json.Unmarshal([]byte(out), &list); status != 0 || err != nil || len(list.Files) != 3 {
		t.Fatalf("list: status %d, %v, %s%s", status, err, out, errs)
	}
	if status, out, errs := run(t, server.URL, "recordings"); status != 0 ||
		strings.Count(out, "crawler") != 3 || strings.Contains(out, "1970") || !strings.Contains(out, "on robot") ||
		!strings.Contains(out, "100.0 %") {
		t.Errorf("list: status %d, %s%s", status, out, errs)
	}
}
