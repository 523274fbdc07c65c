package calibration

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/chipmodel"
	"facetd.example/daemon/calibration/correction"
)

const (
	suffix = ".map"
	// maxFiles limits what is looked at in the folder.
	maxFiles = 16384
	// maxRefused limits the list of what was refused.
	maxRefused = 256
)

// store is the folder of correction maps. The service's mu guards it.
type store struct {
	dir   string
	modes fileio.Modes
	array *chipmodel.Array
	// maxBytes is the size of the largest correction map that the array could have.
	maxBytes int64
	disk     func(fileio.File) fileio.File // nil is none
}

func openStore(dir string, modes fileio.Modes, a *chipmodel.Array) (*store, error) {
	if err := modes.MkdirAll(dir); err != nil {
		return nil, err
	}
	pixels := 0
	for _, c := range a.Classes {
		pixels = max(pixels, c.Rows*c.Columns)
	}
	// Three parameters of 4 bytes and a defect of 6 for each pixel.
	return &store{dir: dir, modes: modes, array: a, maxBytes: int64(pixels)*18 + maxHead + 1<<16}, nil
}

// fileName is where the correction map of a key lies. Names of chips may hold what names of files may
// not.
func fileName(k key) string {
	safe := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, k.chip)
	return safe[:min(len(safe), 64)] + "-" + k.hash() + suffix
}

// write puts a correction map's file in the place of an older one of the same name. A crash at any
// moment leaves the old or the new one, whole.
func (st *store) write(name string, data []byte) error {
	return fileio.WriteDurablyThrough(st.disk, filepath.Join(st.dir, name), data, st.modes.File())
}

// remove deletes a file of the folder, durably. One that is not there is no error.
func (st *store) remove(name string) error {
	if err := os.Remove(filepath.Join(st.dir, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return fileio.SyncDir(st.dir)
}

// found is what lies in the folder: correction maps of this array, and what is refused.
type found struct {
	cmaps   []*activeMap
	refused []*facetdv1.RefusedCorrectionMap
}

// scan reads every file of the folder. Half-written files that a crash left are removed.
func (st *store) scan() (found, error) {
	var out found
	entries, err := os.ReadDir(st.dir)
	if err != nil {
		return out, err
	}
	refuse := func(name, chip string, size int64, reason string) {
		out.refused = append(out.refused, &facetdv1.RefusedCorrectionMap{File: name, Reason: reason,
			Bytes: uint64(max(size, 0)), Chip: chip})
	}
	for i, e := range entries {
		name := e.Name()
		switch {
		case strings.HasPrefix(name, fileio.TempPrefix) && e.Type().IsRegular():
			_ = os.Remove(filepath.Join(st.dir, name)) // nobody misses it; it is retried next time
			continue
		case i >= maxFiles:
			refuse(name, "", 0, fmt.Sprintf("the folder has more than %d files", maxFiles))
			return out, nil
		}
		data, size, err := st.read(e)
		if err != nil {
			refuse(name, "", size, err.Error())
			continue
		}
		meta, m, err := decodeFile(data, st.array)
		if err != nil {
			refuse(name, meta.GetChip(), size, err.Error())
			continue
		}
		meta.File = name
		out.cmaps = append(out.cmaps, newActiveMap(meta, m))
	}
	return st.newest(out), nil
}

// newest refuses correction maps of which there is a newer one for the same.
func (st *store) newest(in found) found {
	slices.SortStableFunc(in.cmaps, func(a, b *activeMap) int {
		return cmp.Or(b.created.Compare(a.created), cmp.Compare(a.meta.GetFile(), b.meta.GetFile()))
	})
	seen := map[key]string{}
	in.cmaps = slices.DeleteFunc(in.cmaps, func(m *activeMap) bool {
		if newer, taken := seen[m.key]; taken {
			in.refused = append(in.refused, &facetdv1.RefusedCorrectionMap{File: m.meta.GetFile(), Chip: m.key.chip,
				Reason: "there is a newer one for the same chip and settings: " + newer})
			return true
		}
		seen[m.key] = m.meta.GetFile()
		return false
	})
	if extra := len(in.refused) - maxRefused; extra > 0 {
		in.refused = append(in.refused[:maxRefused],
			&facetdv1.RefusedCorrectionMap{Reason: fmt.Sprintf("and %d more files", extra)})
	}
	return in
}

// read returns what a file of the folder holds. Nothing larger than a correction map can be is read.
func (st *store) read(e fs.DirEntry) ([]byte, int64, error) {
	if !e.Type().IsRegular() {
		return nil, 0, errors.New("it is no plain file")
	}
	info, err := e.Info()
	if err != nil {
		return nil, 0, err
	}
	size := info.Size()
	if !strings.HasSuffix(e.Name(), suffix) {
		return nil, size, fmt.Errorf("its name does not end in %s", suffix)
	}
	if size > st.maxBytes {
		return nil, size, fmt.Errorf("it has %d bytes; no correction map of this array has more than %d", size,
			st.maxBytes)
	}
	f, err := os.Open(filepath.Join(st.dir, e.Name()))
	if err != nil {
		return nil, size, plain(err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, st.maxBytes))
	return data, size, plain(err)
}

// plain drops the path from an error about a file whose name is said anyway.
func plain(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// load activates the correction maps of the folder.
func (s *Maps) load() error {
	got, err := s.store.scan()
	if err != nil {
		return fmt.Errorf("correction maps: %w", err)
	}
	active := map[key]*activeMap{}
	for _, m := range got.cmaps {
		active[m.key] = m
	}
	s.active.Store(&active)
	s.refused = got.refused
	s.noteLoaded(got)
	return nil
}

// keep stores a correction map and activates it in the place of an older one.
func (s *Maps) keep(meta *facetdv1.CorrectionMap, m *correction.Map) (*facetdv1.CorrectionMap, error) {
	data, err := encodeFile(meta, m)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	made := newActiveMap(meta, m)
	if s.store != nil {
		name := fileName(made.key)
		if err := s.store.write(name, data); err != nil {
			return nil, fmt.Errorf("writing %s: %w", name, plain(err))
		}
		meta.File = name
		// A refused file of that name is gone.
		s.refused = slices.DeleteFunc(s.refused,
			func(r *facetdv1.RefusedCorrectionMap) bool { return r.GetFile() == name })
	}
	s.replace(made.key, made)
	return s.shown(made), nil
}

// replace changes what is active for a key; nil takes it out. The caller holds mu.
func (s *Maps) replace(k key, m *activeMap) {
	if was := (*s.active.Load())[k]; was != nil {
		s.past = append(s.past, was)
		s.past = s.past[max(len(s.past)-maxPast, 0):]
		if m == nil {
			s.changed(s.replaced(was))
		}
	}
	next := map[key]*activeMap{}
	for k, v := range *s.active.Load() {
		next[k] = v
	}
	if m == nil {
		delete(next, k)
	} else {
		next[k] = m
	}
	s.active.Store(&next)
	if m != nil {
		s.changed(s.whole(m))
	}
}
