package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/bridge"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/facetfleet/internal/store"
	"facetd.example/clients/facetfleet/internal/storetest"
	"facetd.example/clients/facetfleet/internal/subject"
)

// openStore is the store of a test's storage.
func openStore(t *testing.T, s *storetest.Server) *store.Store {
	t.Helper()
	o, err := store.Open(store.Config{Bucket: s.Bucket, Region: "us-east-1", AccessKey: storetest.AccessKey,
		SecretKey: storetest.SecretKey})
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// unfinished is how many uploads the storage keeps that are not whole.
func unfinished(t *testing.T, s *storetest.Server) int {
	t.Helper()
	u, err := url.Parse(s.Bucket)
	if err != nil {
		t.Fatal(err)
	}
	core, err := minio.NewCore(u.Host, &minio.Options{Creds: credentials.NewStaticV4(storetest.AccessKey,
		storetest.SecretKey, ""), Region: "us-east-1", BucketLookup: minio.BucketLookupPath})
	if err != nil {
		t.Fatal(err)
	}
	list, err := core.ListMultipartUploads(t.Context(), strings.Trim(u.Path, "/"), "", "", "", "", 100)
	if err != nil {
		t.Fatal(err)
	}
	return len(list.Uploads)
}

// TestAFileThatWasAway: what is in the storage of a file that went while the storage was away is dropped once that is
// back, also by a bridge that was started since; and a file that is there again is uploaded.
func TestAFileThatWasAway(t *testing.T) {
	t.Parallel()
	storage, server := storetest.Start(t), natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	data := t.TempDir()
	content := plant(t, data, "survey-001.mcap", 3*store.LeastPart)
	daemon := startProcess(t, "--data", data)
	at := filepath.Join(data, "recordings", "survey-001.mcap")
	uploads := func(rate int64) bridge.Config {
		return bridge.Config{Robot: "crawler", Daemon: daemon.Client, Uploads: bridge.Uploads{
			Store: openStore(t, storage), Rate: rate, Look: 100 * time.Millisecond}}
	}
	stop := startBridgeWith(t, uploads(3<<20), server.URL)
	indexed(t, c, "survey-001.mcap", func(f *fleetv1.RecordingFile) bool { return f.GetSentBytes() > 0 })
	storage.Kill()
	if err := os.Rename(at, at+".away"); err != nil {
		t.Fatal(err)
	}
	isGone := func(f *fleetv1.RecordingFile) bool { return f.GetState() == fleetv1.FileState_FILE_STATE_GONE }
	if f := indexed(t, c, "survey-001.mcap", isGone); f.GetKey() == "" {
		t.Errorf("where its parts are is forgotten while they are there: %v", f)
	}
	stop()
	storage.Run()
	if n := unfinished(t, storage); n != 1 {
		t.Fatalf("%d uploads are unfinished", n)
	}

	startBridgeWith(t, uploads(1<<30), server.URL)
	f := indexed(t, c, "survey-001.mcap", func(f *fleetv1.RecordingFile) bool { return isGone(f) && f.GetKey() == "" })
	if n := unfinished(t, storage); n != 0 || f.GetSentBytes() != 0 {
		t.Errorf("%d uploads are unfinished, and the index says %v", n, f)
	}
	if err := os.Rename(at+".away", at); err != nil {
		t.Fatal(err)
	}
	f = indexed(t, c, "survey-001.mcap", isStored)
	if got, err := storage.Object(f.GetKey()); err != nil || !bytes.Equal(got, content) {
		t.Errorf("%d bytes are stored, %v", len(got), err)
	}
}

// TestAnIndexThatIsFull: whoever looks at the robots sees why nothing is uploaded, and it goes on by itself.
func TestAnIndexThatIsFull(t *testing.T) {
	t.Parallel()
	storage, server := storetest.Start(t), natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	for i := 0; ; i++ {
		to := subject.InBucket(subject.Recordings, subject.Recording("other", fmt.Sprint(i), time.Time{}))
		if err := publish(t, c, to, make([]byte, 1<<20-1000)); err != nil {
			if i < 5 {
				t.Fatal(err)
			}
			break
		}
	}
	small := make([]byte, 20<<10)
	for i := 0; ; i++ { // and the rest of it
		to := subject.InBucket(subject.Recordings, subject.Recording("another", fmt.Sprint(i), time.Time{}))
		if publish(t, c, to, small) == nil {
			continue
		}
		if small = small[:len(small)/2]; len(small) < 100 {
			break
		}
	}
	data := t.TempDir()
	plant(t, data, "survey-001.mcap", 1000)
	daemon := startProcess(t, "--data", data)
	startBridgeWith(t, bridge.Config{Robot: "crawler", Daemon: daemon.Client, Uploads: bridge.Uploads{
		Store: openStore(t, storage), Look: 100 * time.Millisecond}}, server.URL)
	natstest.Wait(t, "the cause", func() error {
		r := fresh(t, c, "crawler", time.Time{})
		if !strings.HasPrefix(r.GetUploads().GetTrouble(), "the hub's index is full (hub-streams --bucket-bytes)") {
			return fmt.Errorf("the status says %v", r.Robot)
		}
		// A machine that is wanted by others may have the daemon judged as degraded, which says more.
		if r.Health = facetdv1.HealthState_HEALTH_STATE_GOOD; !strings.HasPrefix(r.What(),
			"recordings: the hub's index") {
			t.Errorf("who looks is told %q", r.What())
		}
		return nil
	})
	s, err := c.JS.Stream(t.Context(), subject.BucketStream(subject.Recordings))
	if err == nil {
		err = s.Purge(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	indexed(t, c, "survey-001.mcap", isStored)
}

// stores puts a file into the storage and tells the index so, as a robot may say it.
func stores(t *testing.T, c *hub.Conn, s *store.Store, f *fleetv1.RecordingFile, content []byte) {
	t.Helper()
	if content != nil {
		_, err := s.Upload(t.Context(), &store.File{Key: f.GetKey(), Bytes: uint64(len(content)),
			ReadAt: func(_ context.Context, piece []byte,
				offset uint64) error {
				copy(piece, content[offset:])
				return nil
			}})
		if err != nil {
			t.Fatal(err)
		}
	}
	to := subject.InBucket(subject.Recordings, subject.Recording("crawler", f.GetFile(), f.GetStartTime().AsTime()))
	if err := publish(t, c, to, encoded(t, f)); err != nil {
		t.Fatal(err)
	}
}

// TestFetchTakesNobodysWord: neither an object that is longer than the robot says, nor a link, nor what a robot writes
// of a file gets anything but the file into the place that was named; and a name that was given again is told.
func TestFetchTakesNobodysWord(t *testing.T) {
	t.Parallel()
	storage, server := storetest.Start(t), natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	s := openStore(t, storage)
	content := bytes.Repeat([]byte("0123456789"), 10_000)
	said := func(file string, start int64, state fleetv1.FileState) *fleetv1.RecordingFile {
		return &fleetv1.RecordingFile{File: file, Bytes: 1000, Key: "crawler/tag/" + file, State: state,
			StartTime: timestamppb.New(time.Unix(start, 0)), Sha256: fmt.Sprintf("%x", sha256.Sum256(content[:1000]))}
	}
	const isUploading, isStored = fleetv1.FileState_FILE_STATE_UPLOADING, fleetv1.FileState_FILE_STATE_STORED
	stores(t, c, s, said("long", 1000, isStored), content)
	stores(t, c, s, said("again", 1000, isStored), content[:1000])
	stores(t, c, s, said("again", 2000, isUploading), nil)
	hostile := said("hostile", 1000, isStored)
	hostile.Sha256 = "\x1b[2Jof"
	stores(t, c, s, hostile, content[:1000])
	outside := said("outside", 1000, isStored)
	outside.Key = "crawler/../mole/tag/long"
	stores(t, c, s, outside, nil)

	dir := t.TempDir()
	fetch := func(file, out string) (int, string) {
		status, stdout, errs := run(t, server.URL, "recordings", "fetch", "--robot", "crawler", "--file", file, "--s3",
			storage.Bucket, "--s3-key", storage.KeyFile, "--out", filepath.Join(dir, out))
		return status, stdout + errs
	}
	status, text := fetch("long", "long")
	if got, err := os.ReadFile(filepath.Join(dir, "long")); status != 0 || err != nil ||
		!bytes.Equal(got, content[:1000]) {
		t.Errorf("longer than it is said to be: status %d, %d bytes, %v, %s", status, len(got), err, text)
	}
	if status, text := fetch("again", "again"); status != 0 ||
		!strings.Contains(text, "a newer again of crawler is not in the object storage: uploading") ||
		!strings.Contains(text, "began 1970-01-01 00:16:40") {
		t.Errorf("a name given again: status %d, %s", status, text)
	}
	if status, text := fetch("hostile", "hostile"); status != 1 || strings.Contains(text, "\x1b") ||
		!strings.Contains(text, "not what the robot had") {
		t.Errorf("a digest of control characters: status %d, %q", status, text)
	}
	if status, text := fetch("outside", "outside"); status != 1 || !strings.Contains(text, "knows no file") {
		t.Errorf("another robot's object: status %d, %s", status, text)
	}
	target := filepath.Join(dir, "target")
	if err := errors.Join(os.WriteFile(target, []byte("mine"), 0o600),
		os.Symlink(target, filepath.Join(dir, "link.part"))); err != nil {
		t.Fatal(err)
	}
	status, text = fetch("again", "link")
	if got, err := os.ReadFile(target); status != 1 || string(got) != "mine" || err != nil ||
		!strings.Contains(text, "is no file") {
		t.Errorf("a link in the way: status %d, %q is in its target, %v, %s", status, got, err, text)
	}
}

// TestKeysThatSystemdHandsOver: systemd 254 and later give a unit's credentials the mode 0440, in a folder that only
// its user enters; elsewhere a key that a group can read is refused.
func TestKeysThatSystemdHandsOver(t *testing.T) {
	credentials, elsewhere := t.TempDir(), t.TempDir()
	for _, c := range []struct {
		folder string
		mode   os.FileMode
		unit   bool
		taken  bool
	}{
		{credentials, 0o440, true, true}, {credentials, 0o400, true, true}, {credentials, 0o444, true, false},
		{elsewhere, 0o440, true, false}, {credentials, 0o440, false, false}, {elsewhere, 0o400, false, true},
	} {
		t.Setenv("CREDENTIALS_DIRECTORY", map[bool]string{true: credentials + "/"}[c.unit])
		name := filepath.Join(c.folder, "robot.key")
		os.Remove(name)
		if err := errors.Join(os.WriteFile(name, []byte("x"), 0o600), os.Chmod(name, c.mode)); err != nil {
			t.Fatal(err)
		}
		if _, err := secret("--hub-key", name); (err == nil) != c.taken {
			t.Errorf("%+v: %v", c, err)
		}
	}
}
