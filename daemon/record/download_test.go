package record_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/record"
)

// large makes a closed file of a recording of a megabyte.
func large(t *testing.T, r *rig, name string) (file string, whole []byte) {
	t.Helper()
	ctx := within(t)
	if _, err := r.records.StartRecording(ctx, &facetdv1.StartRecordingRequest{Name: name}); err != nil {
		t.Fatal(err)
	}
	noise := make([]byte, 1<<20) // which does not pack
	for i, x := 0, uint32(1); i < len(noise); i++ {
		x ^= x << 13
		x ^= x >> 17
		x ^= x << 5
		noise[i] = byte(x)
	}
	r.manager.JobEnded(&facetdv1.FrameSet{Task: "t", Frames: []*facetdv1.Frame{{Data: noise}}})
	stopped, err := r.records.StopRecording(ctx, &facetdv1.StopRecordingRequest{Name: name})
	if err != nil {
		t.Fatal(err)
	}
	file = stopped.GetRecording().GetParts()[0].GetFile()
	if whole, err = os.ReadFile(filepath.Join(r.dir, file)); err != nil || len(whole) < 1<<20 {
		t.Fatal(len(whole), err)
	}
	return file, whole
}

// take downloads until the end, or until there are enough messages.
func take(ctx context.Context, r *rig, request *facetdv1.DownloadRecordingRequest, messages int) (got []byte,
	etag string,
	err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := r.records.DownloadRecording(ctx, request)
	if err != nil {
		return nil, "", err
	}
	for n := 0; n < messages; n++ {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return got, etag, nil
		}
		if err != nil {
			return got, etag, err
		}
		if at := request.GetOffset() + uint64(len(got)); m.GetOffset() != at || m.GetTotalBytes() < at {
			return got, etag, fmt.Errorf("a piece at %d of %d, want %d", m.GetOffset(), m.GetTotalBytes(), at)
		}
		got, etag = append(got, m.GetData()...), m.GetEtag()
	}
	return got, etag, nil
}

// TestADownloadGoesOn: a file comes whole, also in pieces from the offset that was reached, and at its end; another
// file of the same name is told from it.
func TestADownloadGoesOn(t *testing.T) {
	r := serve(t, true, 1)
	ctx := within(t)
	file, whole := large(t, r, "drive")
	got, _, err := take(ctx, r, &facetdv1.DownloadRecordingRequest{File: file}, 1<<30)
	if err != nil || !bytes.Equal(got, whole) {
		t.Fatalf("%d bytes of %d: %v", len(got), len(whole), err)
	}
	first, etag, err := take(ctx, r, &facetdv1.DownloadRecordingRequest{File: file}, 2)
	if err != nil || len(first) == 0 || len(first) >= len(whole) || etag == "" {
		t.Fatal(len(first), etag, err)
	}
	rest := &facetdv1.DownloadRecordingRequest{File: file, Offset: uint64(len(first)), Etag: etag}
	second, _, err := take(ctx, r, rest, 1<<30)
	if err != nil || !bytes.Equal(append(first, second...), whole) {
		t.Errorf("%d bytes behind %d of %d: %v", len(second), len(first), len(whole), err)
	}
	nothing, same, err := take(ctx, r, &facetdv1.DownloadRecordingRequest{File: file, Offset: uint64(len(whole))}, 9)
	if err != nil || len(nothing) > 0 || same != etag {
		t.Error(nothing, same, err)
	}
	if _, _, err := take(ctx, r, &facetdv1.DownloadRecordingRequest{File: file, Offset: uint64(len(whole)) + 1},
		9); status.Code(err) != codes.OutOfRange {
		t.Errorf("behind the end: %v", err)
	}
	if _, err := r.records.DeleteRecording(ctx, &facetdv1.DeleteRecordingRequest{Name: "drive"}); err != nil {
		t.Fatal(err)
	}
	if _, _, err := take(ctx, r, rest, 9); status.Code(err) != codes.NotFound {
		t.Errorf("a file that was deleted: %v", err)
	}
	large(t, r, "drive")
	if _, _, err := take(ctx, r, rest, 9); status.Code(err) != codes.Aborted {
		t.Errorf("another file of the same name: %v", err)
	}
}

// TestWhatIsNotHandedOut: no file but closed ones of recordings, and nothing of a recording that is being written can
// be deleted.
func TestWhatIsNotHandedOut(t *testing.T) {
	r := serve(t, true, 1)
	ctx := within(t)
	started, err := r.records.StartRecording(ctx, &facetdv1.StartRecordingRequest{Name: "now"})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"secret", "../secret-001.mcap"} {
		if err := os.WriteFile(filepath.Join(r.dir, name), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink("/etc/hostname", filepath.Join(r.dir, "link-001.mcap")); err != nil {
		t.Fatal(err)
	}
	for file, want := range map[string]codes.Code{
		"": codes.NotFound, "secret": codes.NotFound, "../secret-001.mcap": codes.NotFound,
		"nope-001.mcap": codes.NotFound, "now-002.mcap": codes.NotFound, "now-001.mcap": codes.FailedPrecondition,
		started.GetRecording().GetParts()[0].GetFile(): codes.FailedPrecondition,
		"link-001.mcap": codes.NotFound,
	} {
		if _, _, err := take(ctx, r, &facetdv1.DownloadRecordingRequest{File: file}, 9); status.Code(err) != want {
			t.Errorf("%q: %v, want %v", file, err, want)
		}
	}
	for name, want := range map[string]codes.Code{"now": codes.FailedPrecondition, "nope": codes.NotFound,
		"../secret": codes.NotFound, "": codes.NotFound} {
		_, err := r.records.DeleteRecording(ctx, &facetdv1.DeleteRecordingRequest{Name: name})
		if status.Code(err) != want {
			t.Errorf("deleting %q: %v, want %v", name, err, want)
		}
	}
	none := serve(t, false, 1)
	if _, _, err := take(ctx, none, &facetdv1.DownloadRecordingRequest{File: "a-001.mcap"},
		9); status.Code(err) != codes.NotFound {
		t.Errorf("without a folder: %v", err)
	}
}

// TestDownloadsOverHTTP: whole, in ranges, and as the range of one file and no other.
func TestDownloadsOverHTTP(t *testing.T) {
	r := serve(t, true, 1)
	file, whole := large(t, r, "drive")
	mux := http.NewServeMux()
	mux.Handle("GET /recordings/{file}", record.NewService(r.manager))
	get := func(file, span, ifRange string) *http.Response {
		t.Helper()
		request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/recordings/"+file, nil)
		if span != "" {
			request.Header.Set("Range", span)
		}
		if ifRange != "" {
			request.Header.Set("If-Range", ifRange)
		}
		w := httptest.NewRecorder()
		mux.ServeHTTP(w, request)
		return w.Result()
	}
	body := func(a *http.Response) []byte {
		got, err := io.ReadAll(a.Body)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	all := get(file, "", "")
	if got := body(all); all.StatusCode != http.StatusOK || !bytes.Equal(got, whole) {
		t.Errorf("status %d, %d bytes", all.StatusCode, len(got))
	}
	part := get(file, "bytes=1000-", all.Header.Get("ETag"))
	if got := body(part); part.StatusCode != http.StatusPartialContent || !bytes.Equal(got, whole[1000:]) {
		t.Errorf("a range: status %d, %d bytes", part.StatusCode, len(got))
	}
	if other := get(file, "bytes=1000-", `"another"`); other.StatusCode != http.StatusOK ||
		len(body(other)) != len(whole) {
		t.Errorf("a range of another file: status %d", other.StatusCode)
	}
	if a := get("nope-001.mcap", "", ""); a.StatusCode != http.StatusNotFound {
		t.Errorf("no file: status %d", a.StatusCode)
	}
	if _, err := r.records.StartRecording(within(t), &facetdv1.StartRecordingRequest{Name: "now"}); err != nil {
		t.Fatal(err)
	}
	if a := get("now-001.mcap", "", ""); a.StatusCode != http.StatusConflict {
		t.Errorf("a file that is written: status %d", a.StatusCode)
	}
}

// TestAsManyDownloadsAsMayRun: further ones are refused over both ways, and one that ends gives its place away.
func TestAsManyDownloadsAsMayRun(t *testing.T) {
	r := serve(t, true, 1)
	ctx := within(t)
	const file = "sparse-001.mcap" // more than a connection holds, and hardly anything on the disk
	path := filepath.Join(r.dir, file)
	if err := errors.Join(os.WriteFile(path, nil, 0o600), os.Truncate(path, 1<<30)); err != nil {
		t.Fatal(err)
	}
	open := func() (context.CancelFunc, error) {
		ctx, cancel := context.WithCancel(ctx)
		t.Cleanup(cancel)
		stream, err := r.records.DownloadRecording(ctx, &facetdv1.DownloadRecordingRequest{File: file})
		if err != nil {
			return cancel, err
		}
		_, err = stream.Recv() // and nothing more
		return cancel, err
	}
	var leave context.CancelFunc
	for i := range record.MaxDownloads {
		cancel, err := open()
		if err != nil {
			t.Fatal(i, err)
		}
		leave = cancel
	}
	if _, err := open(); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("one too many: %v", err)
	}
	w := httptest.NewRecorder()
	mux := http.NewServeMux()
	mux.Handle("GET /recordings/{file}", record.NewService(r.manager))
	mux.ServeHTTP(w, httptest.NewRequestWithContext(ctx, http.MethodGet, "/recordings/"+file, nil))
	if w.Code != http.StatusTooManyRequests {
		t.Errorf("one too many over HTTP: status %d", w.Code)
	}
	if _, _, err := take(ctx, r, &facetdv1.DownloadRecordingRequest{File: "nope-001.mcap"},
		9); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("a file that is not there: %v", err)
	}
	leave()
	for {
		if _, err := open(); err == nil {
			break
		} else if status.Code(err) != codes.ResourceExhausted || ctx.Err() != nil {
			t.Fatal(err)
		}
	}
}
