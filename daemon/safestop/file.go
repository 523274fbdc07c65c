package safestop

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"facetd.example/api/fileio"
	"facetd.example/daemon/dispatch"
)

const (
	formatName = "facetd safe stop"
	// version is the format that is written, and the newest that is read.
	version  = 1
	maxBytes = 1 << 20
	// maxRevision is far above any microsecond since 1970; the numbers must be able to rise.
	maxRevision = 1 << 62
)

type fileForm struct {
	Format   string       `json:"format"`
	Version  int          `json:"version"`
	Revision uint64       `json:"revision"`
	Requests uint64       `json:"requests"`
	Reasons  []reasonForm `json:"reasons"`
}

type reasonForm struct {
	By     string    `json:"by"`
	Reason string    `json:"reason,omitempty"`
	Time   time.Time `json:"time"`
}

// encode writes a stop as a file; none is no file.
func encode(s *dispatch.SafeStop) ([]byte, error) {
	if s == nil {
		return nil, nil
	}
	f := fileForm{Format: formatName, Version: version, Revision: s.Revision, Requests: s.Requests}
	for _, r := range s.Reasons {
		f.Reasons = append(f.Reasons, reasonForm{By: r.By, Reason: r.Reason, Time: r.At.UTC()})
	}
	out, err := json.MarshalIndent(&f, "", "  ")
	return append(out, '\n'), err
}

// decode reads a file. The error says why it is not what encode wrote.
func decode(data []byte) (*dispatch.SafeStop, error) {
	var f fileForm
	in := json.NewDecoder(bytes.NewReader(data))
	in.DisallowUnknownFields()
	if err := in.Decode(&f); err != nil {
		return nil, err
	}
	if in.More() {
		return nil, errors.New("something follows the stop")
	}
	switch {
	case f.Format != formatName:
		return nil, fmt.Errorf("its format is %.40q, not %q", f.Format, formatName)
	case f.Version != version:
		return nil, fmt.Errorf("it has format %d, and this version reads %d", f.Version, version)
	case len(f.Reasons) == 0 || f.Requests < uint64(len(f.Reasons)):
		return nil, fmt.Errorf("%d requests with %d reasons are not possible", f.Requests, len(f.Reasons))
	case f.Revision < 1 || f.Revision > maxRevision:
		return nil, fmt.Errorf("revision %d is not possible", f.Revision)
	}
	s := &dispatch.SafeStop{Requests: f.Requests, Revision: f.Revision}
	for i, r := range f.Reasons {
		if r.By == "" || checkReason(r.By) != "" || checkReason(r.Reason) != "" {
			return nil, fmt.Errorf("reason %d is not possible", i)
		}
		s.Reasons = append(s.Reasons, dispatch.StopReason{By: r.By, Reason: r.Reason, At: r.Time})
	}
	return s, nil
}

// read returns the stop that a file holds, nil where there is none. What cannot be understood is a stop all the same:
// somebody asked for it, and only somebody who looks may end it. Errors are the system's.
func read(path string) (*dispatch.SafeStop, []byte, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, nil, err
	}
	data, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err != nil {
		return nil, nil, err
	}
	s, err := decode(data)
	if err == nil && len(data) > maxBytes {
		err = fmt.Errorf("it has more than %d bytes", maxBytes)
	}
	if err == nil {
		return s, data, nil
	}
	return &dispatch.SafeStop{
		Requests: 1, Revision: uint64(max(info.ModTime().UnixMicro(), 1)),
		Reasons: []dispatch.StopReason{{By: "somebody", At: info.ModTime(),
			Reason: "the file that says who cannot be read: " + clean(err.Error())}},
	}, nil, nil
}

// store makes the disk hold what data says; nil is no file.
func store(path string, data []byte, modes fileio.Modes) error {
	dir := filepath.Dir(path)
	if data == nil {
		err := os.Remove(path)
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil {
			return err
		}
		return fileio.SyncDir(dir)
	}
	// The folder may have been removed; the one above it belongs to others.
	if err := modes.Mkdir(dir); err != nil {
		return err
	}
	return fileio.WriteDurably(path, data, modes.File())
}
