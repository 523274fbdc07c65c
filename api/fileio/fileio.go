// Package fileio reads files that people name, up to a limit, and writes files whole or not
// at all, with errors that people read.
package fileio

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// Read reads a file of at most limit bytes. A larger one is an error, and so that a
// device without an end does no harm, no more than that is read of any.
func Read(name string, limit int64) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, Plain(err)
	}
	defer f.Close()
	return ReadFrom(f, name, limit)
}

// ReadFrom is Read from what is open already; name stands in the errors.
func ReadFrom(r io.Reader, name string, limit int64) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, limit+1))
	switch {
	case err != nil:
		return nil, Plain(err)
	case int64(len(data)) > limit:
		return nil, fmt.Errorf("%s is larger than %d MiB", name, limit>>20)
	}
	return data, nil
}

// Plain drops the system call from an error about a file: its name and what is wrong
// remain. Of one about two files the name of the second remains, which is the one that was
// to be written. Other errors stay as they are.
func Plain(err error) error {
	var p *fs.PathError
	var l *os.LinkError
	switch {
	case errors.As(err, &p):
		return fmt.Errorf("%s: %w", p.Path, p.Err)
	case errors.As(err, &l):
		return fmt.Errorf("%s: %w", l.New, l.Err)
	}
	return err
}
