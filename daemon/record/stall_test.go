package record

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

// deaf reads nothing until its call has ended.
type deaf struct {
	grpc.ServerStream
	ctx context.Context
}

func (d deaf) Send(*facetdv1.DownloadRecordingResponse) error {
	<-d.ctx.Done()
	return d.ctx.Err()
}

// TestADownloadThatNobodyReadsEnds, and gives its place to others.
func TestADownloadThatNobodyReadsEnds(t *testing.T) {
	m, _, dir := manager(t, nil)
	if err := os.WriteFile(filepath.Join(dir, "drive-001.mcap"), make([]byte, 100), 0o600); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		m.downloads = make(chan struct{}, 1) // of this bubble
		ctx, end := context.WithCancel(t.Context())
		defer end()
		began := time.Now()
		err := NewService(m).DownloadRecording(&facetdv1.DownloadRecordingRequest{File: "drive-001.mcap"},
			deaf{ctx: ctx})
		if took := time.Since(began); !errors.As(err, new(*failure.Unavailable)) || took != downloadStall {
			t.Errorf("%v, after %v", err, took)
		}
		if len(m.downloads) != 0 {
			t.Error("its place is still taken")
		}
	})
}
