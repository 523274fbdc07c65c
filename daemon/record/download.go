package record

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

const (
	// downloadPiece is how much of a file one message has.
	downloadPiece = 256 << 10
	// downloadStall is how long a client may take to read a piece before it is cut off: it holds memory, an open file
	// and a place.
	downloadStall = 30 * time.Second
	// MaxDownloads is how many downloads run at once, over gRPC and HTTP together; further ones are refused.
	MaxDownloads = 32
)

// download is a closed file of a recording, opened. It stays whole when it is deleted meanwhile.
type download struct {
	*os.File
	size  uint64
	made  time.Time
	etag  string
	place chan struct{} // of the manager
}

// Close gives the download's place to others.
func (d *download) Close() error {
	<-d.place
	return d.File.Close()
}

// open opens a closed file of a recording by its name. Errors: *failure.NotFound, *failure.Precondition,
// *failure.Exhausted, the disk's.
func (m *Manager) open(file string) (_ *download, err error) {
	select {
	case m.downloads <- struct{}{}:
	default:
		return nil, &failure.Exhausted{Message: fmt.Sprintf("%d downloads of recordings run already; try again when "+
			"one has ended", MaxDownloads)}
	}
	defer func() {
		if err != nil {
			<-m.downloads
		}
	}()
	p, is := parsePart(file)
	if !is { // nothing else of the folder, nor of another, is handed out
		return nil, errNoFile(file)
	}
	if !p.closed {
		return nil, notClosed(file)
	}
	f, err := os.OpenFile(filepath.Join(m.cfg.Dir, p.file()), os.O_RDONLY|syscall.O_NOFOLLOW, 0)
	if errors.Is(err, syscall.ELOOP) { // a link, which may lead anywhere
		return nil, errNoFile(file)
	}
	if errors.Is(err, os.ErrNotExist) {
		open := p
		open.closed = false
		if _, err := os.Stat(filepath.Join(m.cfg.Dir, open.file())); err == nil {
			return nil, notClosed(file)
		}
		return nil, errNoFile(file)
	}
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = errNoFile(file)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return &download{File: f, size: uint64(info.Size()), made: info.ModTime(),
		etag: fmt.Sprintf("%x-%x", info.ModTime().UnixNano(), info.Size()), place: m.downloads}, nil
}

func errNoFile(file string) error { return &failure.NotFound{What: "file of a recording", Name: file} }

func notClosed(file string) error {
	return &failure.Precondition{Kind: failure.RecordingOpen, Subject: file,
		Message: file + " is not closed: it is being written, or a crash has left it open; end the recording, or " +
			"recover it"}
}

// DownloadRecording has no queue: what the client does not read stays in the file, and one that reads nothing for
// downloadStall is cut off.
func (s *Service) DownloadRecording(r *facetdv1.DownloadRecordingRequest,
	out grpc.ServerStreamingServer[facetdv1.DownloadRecordingResponse]) error {
	if s.m == nil {
		return errNoFile(r.GetFile())
	}
	d, err := s.m.open(r.GetFile())
	if err != nil {
		return err
	}
	defer d.Close()
	switch at := r.GetOffset(); {
	case r.GetEtag() != "" && r.GetEtag() != d.etag:
		return &failure.InProgress{Message: r.GetFile() +
			" is another file than the one that was downloaded in part; " +
			"begin anew"}
	case at > d.size:
		return &failure.OutOfRange{Message: fmt.Sprintf("offset %d lies behind the end: %s has %d bytes", at,
			r.GetFile(), d.size)}
	}
	at, piece := r.GetOffset(), make([]byte, downloadPiece)
	for {
		n, err := d.ReadAt(piece[:min(downloadPiece, d.size-at)], int64(at))
		if err != nil && (!errors.Is(err, io.EOF) || at+uint64(n) < d.size) {
			return err
		}
		if err := sendPiece(out, &facetdv1.DownloadRecordingResponse{Offset: at, Data: piece[:n], TotalBytes: d.size,
			Etag: d.etag}); err != nil {
			return err
		}
		if at += uint64(n); at == d.size {
			return nil
		}
	}
}

// sendPiece gives up on a client that does not read. The end of the call, which then follows, wakes what still sends.
func sendPiece(out grpc.ServerStreamingServer[facetdv1.DownloadRecordingResponse],
	m *facetdv1.DownloadRecordingResponse) error {
	sent := make(chan error, 1)
	go func() { sent <- out.Send(m) }()
	stall := time.NewTimer(downloadStall)
	defer stall.Stop()
	select {
	case err := <-sent:
		return err
	case <-stall.C:
		return &failure.Unavailable{Reason: fmt.Sprintf("nothing of the download was read for %v; go on from its "+
			"offset", downloadStall)}
	}
}

// ServeHTTP answers GET PREFIX/{file} with a closed file of a recording, or with ranges of it. The answer breaks off
// when the request's context ends, which therefore may not do so before (see access.Gate.Lasting).
func (s *Service) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	file := r.PathValue("file")
	err := errNoFile(file)
	var d *download
	if s.m != nil {
		d, err = s.m.open(file)
	}
	switch {
	case err == nil:
	case failure.IsPrecondition(err, failure.RecordingOpen):
		http.Error(w, err.Error(), http.StatusConflict)
		return
	case errors.As(err, new(*failure.Exhausted)):
		http.Error(w, err.Error(), http.StatusTooManyRequests)
		return
	case errors.As(err, new(*failure.NotFound)):
		http.Error(w, err.Error(), http.StatusNotFound)
		return
	default:
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	defer d.Close()
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Content-Disposition", `attachment; filename="`+file+`"`)
	w.Header().Set("ETag", `"`+d.etag+`"`)
	http.ServeContent(&patient{w, http.NewResponseController(w), r.Context()}, r, file, d.made, d)
}

// patient lets a download last as long as its client reads and its context.
type patient struct {
	http.ResponseWriter
	to  *http.ResponseController
	ctx context.Context
}

func (p *patient) Write(b []byte) (int, error) {
	_ = p.to.SetWriteDeadline(time.Now().Add(downloadStall)) // else the server's own limit holds
	if err := p.ctx.Err(); err != nil {
		return 0, err
	}
	return p.ResponseWriter.Write(b)
}
