package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

// oneFile is a daemon with one file, whose downloads break off after some bytes.
type oneFile struct {
	facetdv1.RecordServiceClient
	whole []byte
	etag  string
	most  int // bytes of a download
	asked []*facetdv1.DownloadRecordingRequest
}

func (o *oneFile) part() *facetdv1.RecordingPart {
	return &facetdv1.RecordingPart{File: "drive-001.mcap", Bytes: uint64(len(o.whole)), Closed: true}
}

type pieces struct {
	grpc.ClientStream
	list []*facetdv1.DownloadRecordingResponse
	end  error
}

func (p *pieces) Recv() (*facetdv1.DownloadRecordingResponse, error) {
	if len(p.list) == 0 {
		return nil, p.end
	}
	m := p.list[0]
	p.list = p.list[1:]
	return m, nil
}

func (o *oneFile) DownloadRecording(_ context.Context, r *facetdv1.DownloadRecordingRequest,
	_ ...grpc.CallOption) (grpc.ServerStreamingClient[facetdv1.DownloadRecordingResponse], error) {
	o.asked = append(o.asked, r)
	if r.GetEtag() != "" && r.GetEtag() != o.etag {
		return &pieces{end: status.Error(codes.Aborted, "another file")}, nil
	}
	p := &pieces{end: io.EOF}
	for at, sent := int(r.GetOffset()), 0; ; {
		if sent >= o.most && at < len(o.whole) {
			p.end = status.Error(codes.Unavailable, "the link is gone")
			break
		}
		n := min(10, len(o.whole)-at)
		p.list = append(p.list, &facetdv1.DownloadRecordingResponse{Offset: uint64(at), Data: o.whole[at : at+n],
			TotalBytes: uint64(len(o.whole)), Etag: o.etag})
		if at, sent = at+n, sent+n; at == len(o.whole) {
			break
		}
	}
	return p, nil
}

// TestADownloadGoesOnWhereItStopped, after any number of breaks; what is here of another file is not mixed with it.
func TestADownloadGoesOnWhereItStopped(t *testing.T) {
	path := filepath.Join(t.TempDir(), "drive-001.mcap")
	o := &oneFile{whole: bytes.Repeat([]byte("0123456789abcde"), 7), etag: "first", most: 40}
	for try, from := range []uint64{0, 40, 80} {
		_, err := downloadFile(t.Context(), o, o.part(), path)
		if last := o.asked[len(o.asked)-1]; last.GetOffset() != from ||
			(status.Code(err) == codes.Unavailable) != (try < 2) {
			t.Fatalf("try %d: from %d, want %d; %v", try, last.GetOffset(), from, err)
		}
	}
	holds := func(want []byte) {
		t.Helper()
		got, err := os.ReadFile(path)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%q, %v", got, err)
		}
		if left, err := os.ReadDir(filepath.Dir(path)); err != nil || len(left) != 1 {
			t.Error(left, err)
		}
	}
	holds(o.whole)
	calls := len(o.asked)
	if n, err := downloadFile(t.Context(), o, o.part(), path); err != nil || n != uint64(len(o.whole)) ||
		len(o.asked) != calls {
		t.Errorf("what is here is asked for again: %d, %v", n, err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if _, err := downloadFile(t.Context(), o, o.part(), path); status.Code(err) != codes.Unavailable {
		t.Fatal(err)
	}
	o.whole, o.etag, o.most = []byte("another drive"), "second", 1000
	if _, err := downloadFile(t.Context(), o, o.part(), path); err != nil {
		t.Fatal(err)
	}
	holds(o.whole)
	o.whole = []byte("a third drive of that name")
	if _, err := downloadFile(t.Context(), o, o.part(), path); err == nil ||
		!strings.Contains(err.Error(), "it has 13 bytes, the daemon's 26") {
		t.Errorf("a file of another recording passes for what was asked for: %v", err)
	}
	holds([]byte("another drive"))
}
