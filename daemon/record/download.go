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
	// downloadStall is how long a client over HTTP may take to read a piece before it is cut off.
	downloadStall = 30 * time.Second
)

// download is a closed file of a recording, opened. It stays whole when it is deleted meanwhile.
type download struct {
	*os.File
	size uint64
	made time.Time
	etag string
}

// open opens a closed file of a recording by its name. Errors: *failure.NotFound, *failure.Precondition, the disk's.
func (m *Manager) open(file string) (*download, error) {
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
		etag: fmt.Sprintf("%x-%x", info.ModTime().UnixNano(), info.Size())}, nil
}

func errNoFile(file string) error { return &failure.NotFound{What: "file of a recording", Name: file} }

func notClosed(file string) error {
	return &failure.Precondition{Kind: failure.RecordingOpen, Subject: file,
		Message: file + " is not closed: it is being written, or a crash has left it open; end the recording, or " +
			"recover it"}
}

// DownloadRecording has no queue: what the client does not read stays in the file.
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
		if err := out.Send(&facetdv1.DownloadRecordingResponse{Offset: at, Data: piece[:n], TotalBytes: d.size,
			Etag: d.etag}); err != nil {
			return err
		}
		if at += uint64(n); at == d.size {
			return nil
		}
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
