package store

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/minio/minio-go/v7"

	"facetd.example/clients/facetfleet/internal/storetest"
)

func open(t *testing.T, s *storetest.Server) *Store {
	t.Helper()
	o, err := Open(Config{Bucket: s.Bucket + "/fleet", Region: "us-east-1", AccessKey: storetest.AccessKey,
		SecretKey: storetest.SecretKey})
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// file is a file in memory that counts what is sent of it, and whose reading fails from an offset on.
func file(key string, content []byte, sent *int, failAt uint64) *File {
	return &File{Key: key, Bytes: uint64(len(content)), Moved: func(n int) { *sent += n },
		ReadAt: func(_ context.Context, piece []byte, offset uint64) error {
			if offset >= failAt {
				return errors.New("torn off")
			}
			copy(piece, content[offset:])
			return nil
		}}
}

// TestUpload: what the storage has is not sent again, what it has otherwise is, and what comes of it is the file.
func TestUpload(t *testing.T) {
	t.Parallel()
	server := storetest.Start(t)
	s := open(t, server)
	content := make([]byte, 2*LeastPart+777)
	rand.NewChaCha8([32]byte{1}).Read(content)
	same := func(step string, sha string, err error) {
		t.Helper()
		got, readErr := server.Object("fleet/a/b")
		if err != nil || readErr != nil || !bytes.Equal(got, content) || len(sha) != 64 {
			t.Fatalf("%s: %d bytes of %d are there, %v, %v", step, len(got), len(content), err, readErr)
		}
	}
	sent := 0
	if _, err := s.Upload(t.Context(), file("a/b", content, &sent, LeastPart)); err == nil || sent != LeastPart {
		t.Fatalf("torn off behind a part: %d bytes sent, %v", sent, err)
	}

	// The one part that is there is another file's.
	content[5] ^= 1
	sent = 0
	sha, err := s.Upload(t.Context(), file("a/b", content, &sent, 1<<62))
	if same("a part that differs", sha, err); sent != len(content) {
		t.Errorf("with a part that differs %d bytes were sent of %d", sent, len(content))
	}
	// The acknowledgement was lost: all is there.
	sent = 0
	again, err := s.Upload(t.Context(), file("a/b", content, &sent, 1<<62))
	if same("all is there", again, err); sent != 0 || again != sha {
		t.Errorf("where all is there %d bytes were sent; %s and %s", sent, sha, again)
	}
	// Other bytes of the same length lie there.
	content[len(content)-1] ^= 1
	sha, err = s.Upload(t.Context(), file("a/b", content, &sent, 1<<62))
	same("other bytes", sha, err)

	// What broke off is dropped, and nothing else.
	if _, err := s.Upload(t.Context(), file("a/bc", content, &sent, LeastPart)); err == nil {
		t.Fatal("torn off: no error")
	}
	if err := s.Drop(t.Context(), "a/b"); err != nil || uploads(t, s) != 1 {
		t.Errorf("the upload of another file: %v, %d uploads", err, uploads(t, s))
	}
	if err := s.Drop(t.Context(), "a/bc"); err != nil || uploads(t, s) != 0 {
		t.Errorf("dropped: %v, %d uploads", err, uploads(t, s))
	}
	same("dropped", sha, nil)
}

func uploads(t *testing.T, s *Store) int {
	t.Helper()
	list, err := s.core.ListMultipartUploads(t.Context(), s.bucket, s.folder, "", "", "", 100)
	if err != nil {
		t.Fatal(err)
	}
	return len(list.Uploads)
}

// A storage that does not know the keys, and a bucket that is not there, are told as such.
func TestStoragesThatRefuse(t *testing.T) {
	t.Parallel()
	server := storetest.Start(t)
	sent := 0
	for _, c := range []struct{ bucket, secret, want string }{
		{server.Bucket, "another", "denied"}, {server.Bucket + "x", storetest.SecretKey, "bucket"},
	} {
		s, err := Open(Config{Bucket: c.bucket, Region: "us-east-1", AccessKey: storetest.AccessKey,
			SecretKey: c.secret})
		if err != nil {
			t.Fatal(err)
		}
		_, err = s.Upload(t.Context(), file("a", []byte("x"), &sent, 1<<62))
		if err == nil || !strings.Contains(strings.ToLower(err.Error()), c.want) {
			t.Errorf("%v: %v", c, err)
		}
	}
	for _, bucket := range []string{"", "https://host", "ftp://host/b", "https://u:p@host/b", "http://host/b",
		"https://host/b?x=1"} {
		if _, err := Open(Config{Bucket: bucket}); err == nil {
			t.Errorf("%q is taken", bucket)
		}
	}
	if !missing(minio.ErrorResponse{Code: minio.NoSuchKey}) || missing(minio.ErrorResponse{Code: minio.NoSuchBucket,
		StatusCode: 404}) || missing(errors.New("x")) {
		t.Error("what is missing is mistaken")
	}
}

// A rate is kept, also by two uploads together and after a pause, and ends with its context.
func TestPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewPace(1 << 20)
		read := func(ctx context.Context, n int) (int, error) {
			r := &paced{ctx: ctx, from: bytes.NewReader(make([]byte, n)), pace: p, moved: func(int) {}}
			buffer, all := make([]byte, 1<<20), 0
			for {
				m, err := r.Read(buffer)
				all += m
				if m > piece {
					t.Errorf("%d bytes at once", m)
				}
				if err != nil {
					return all, err
				}
			}
		}
		began := time.Now()
		done := make(chan int)
		for range 2 {
			go func() { n, _ := read(t.Context(), 1<<20); done <- n }()
		}
		if n := <-done + <-done; n != 2<<20 || time.Since(began).Round(time.Millisecond) != 2*time.Second {
			t.Errorf("two of 1 MiB at 1 MiB/s: %d bytes in %v", n, time.Since(began))
		}
		time.Sleep(time.Hour)
		began = time.Now()
		if read(t.Context(), 1<<20); time.Since(began).Round(time.Millisecond) != time.Second {
			t.Errorf("after a pause: %v", time.Since(began))
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second/2)
		defer cancel()
		if n, err := read(ctx, 1<<20); !errors.Is(err, context.DeadlineExceeded) || n > 513<<10 {
			t.Errorf("ended: %d bytes, %v", n, err)
		}
	})
}
