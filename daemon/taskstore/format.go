package taskstore

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"regexp"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

const (
	formatName = "facetd tasks"
	// Version is the format that is written, and the newest that is read.
	Version = 1

	maxBytes    = 16 << 20
	maxEntries  = 1024
	maxName     = 1000
	maxViews    = 64
	maxRevision = 1 << 62 // what is beyond is a lie, after which the numbers would begin anew
)

// Kind is how a task that is stored differs from the file of tasks.
type Kind string

// Kinds of entries.
const (
	// Configured is as the file has it; only its generation is stored.
	Configured Kind = "configured"
	// Made is in no file.
	Made Kind = "made"
	// Changed is otherwise than the file has it.
	Changed Kind = "changed"
	// Removed is in the file, and does not run.
	Removed Kind = "removed"
)

// Entry is what is stored of one task.
type Entry struct {
	Name string
	Kind Kind
	// Generation is the revision in which the task became as it is: a task of the same name
	// that is made anew has a higher one.
	Generation uint64
	// Configured is the digest of the task in the file at that time; empty where it had none.
	Configured string
	// Task of those Made and Changed.
	Task *facetdv1.Task
	// Parameters are what of its views was last set between its jobs, of a task that runs.
	Parameters []*facetdv1.ViewParameters
	// Reason why it is kept aside; empty where it is not.
	Reason string
}

// State is what a file holds.
type State struct {
	// Revision counts the changes of the tasks since the file was begun, from 1.
	Revision uint64
	// Tasks in the order in which they run, then those removed.
	Tasks []Entry
	// Aside are tasks that do not fit what runs; they are tried again at the next start.
	Aside []Entry
	// Requests by which the last changes were made, of those that have an id, oldest first.
	Requests []Request
}

// FutureError is the error of a file that a newer version of the daemon wrote. It is left as
// it is; the caller should run that version, or move the file away.
type FutureError struct{ Version int }

func (e *FutureError) Error() string {
	return fmt.Sprintf("it has format %d, and this version reads up to %d: run the newer version that wrote it, "+
		"or move the file away to go on without it", e.Version, Version)
}

// DamagedError is the error of a file that is not whole or was not written by the daemon.
type DamagedError struct{ What string }

func (e *DamagedError) Error() string { return e.What }

// header is what every version has.
type header struct {
	Format  string `json:"format"`
	Version int    `json:"version"`
}

type fileForm struct {
	header
	Revision uint64      `json:"revision"`
	Tasks    []entryForm `json:"tasks"`
	Aside    []entryForm `json:"aside,omitempty"`
	Requests []Request   `json:"requests,omitempty"`
}

type entryForm struct {
	Name       string            `json:"name"`
	Kind       Kind              `json:"kind"`
	Generation uint64            `json:"generation"`
	Configured string            `json:"configured,omitempty"`
	Task       json.RawMessage   `json:"task,omitempty"`
	Parameters []json.RawMessage `json:"parameters,omitempty"`
	Reason     string            `json:"reason,omitempty"`
}

// Encode writes a state as a file. Errors: that Parse would refuse it for its size; those of the tasks' own form.
func (s *State) Encode() ([]byte, error) {
	f := fileForm{header: header{formatName, Version}, Revision: s.Revision, Requests: s.Requests}
	var err error
	if f.Tasks, err = formsOf(s.Tasks); err != nil {
		return nil, err
	}
	if f.Aside, err = formsOf(s.Aside); err != nil {
		return nil, err
	}
	out, err := json.MarshalIndent(&f, "", "  ")
	if len(out) >= maxBytes {
		return nil, fmt.Errorf("they take %d bytes, more than %d", len(out), maxBytes)
	}
	return append(out, '\n'), err
}

func formsOf(list []Entry) ([]entryForm, error) {
	out := make([]entryForm, len(list))
	for i, e := range list {
		out[i] = entryForm{
			Name: e.Name, Kind: e.Kind, Generation: e.Generation, Configured: e.Configured, Reason: e.Reason,
		}
		for _, p := range e.Parameters {
			text, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(p)
			if err != nil {
				return nil, err
			}
			out[i].Parameters = append(out[i].Parameters, text)
		}
		if e.Task == nil {
			continue
		}
		text, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(e.Task)
		if err != nil {
			return nil, err
		}
		out[i].Task = text
	}
	return out, nil
}

// Parse reads a file. Errors: *FutureError, *DamagedError.
func Parse(data []byte) (*State, error) {
	if len(data) > maxBytes {
		return nil, &DamagedError{fmt.Sprintf("it has %d bytes, more than %d", len(data), maxBytes)}
	}
	var h header
	if err := json.Unmarshal(data, &h); err != nil { // nor may anything follow the value
		return nil, &DamagedError{err.Error()}
	}
	switch {
	case h.Format != formatName:
		return nil, &DamagedError{fmt.Sprintf("its format is %q, not %q", h.Format, formatName)}
	case h.Version > Version:
		return nil, &FutureError{h.Version}
	case h.Version < 1:
		return nil, &DamagedError{fmt.Sprintf("there is no version %d", h.Version)}
	}
	var f fileForm
	in := json.NewDecoder(bytes.NewReader(data))
	in.DisallowUnknownFields()
	if err := in.Decode(&f); err != nil {
		return nil, &DamagedError{err.Error()}
	}
	return f.state()
}

func (f *fileForm) state() (*State, error) {
	if f.Revision < 1 || f.Revision > maxRevision {
		return nil, &DamagedError{fmt.Sprintf("revision %d is not possible", f.Revision)}
	}
	if len(f.Tasks) > maxEntries || len(f.Aside) > maxEntries {
		return nil, &DamagedError{fmt.Sprintf("%d tasks and %d aside are too many", len(f.Tasks), len(f.Aside))}
	}
	s := &State{Revision: f.Revision, Requests: f.Requests}
	if err := checkRequests(f.Requests, f.Revision); err != nil {
		return nil, &DamagedError{err.Error()}
	}
	for _, list := range []struct {
		what string
		from []entryForm
		to   *[]Entry
	}{{"tasks", f.Tasks, &s.Tasks}, {"aside", f.Aside, &s.Aside}} {
		seen := map[string]bool{}
		for i := range list.from {
			e, err := list.from[i].entry(f.Revision)
			if err == nil && seen[e.Name] {
				err = fmt.Errorf("a second task is called %q", e.Name)
			}
			if err == nil && list.what == "aside" && e.Task == nil {
				err = fmt.Errorf("nothing is kept of %q", e.Name)
			}
			if err != nil {
				return nil, &DamagedError{fmt.Sprintf("%s[%d]: %v", list.what, i, err)}
			}
			seen[e.Name] = true
			*list.to = append(*list.to, e)
		}
	}
	return s, nil
}

var digestForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

func (f *entryForm) entry(revision uint64) (Entry, error) {
	e := Entry{
		Name: f.Name, Kind: f.Kind, Generation: f.Generation, Configured: f.Configured, Reason: f.Reason,
	}
	own := f.Kind == Made || f.Kind == Changed
	switch {
	case f.Name == "" || len(f.Name) > maxName || !utf8.ValidString(f.Name):
		return e, fmt.Errorf("%.40q is not a name", f.Name)
	case !own && f.Kind != Configured && f.Kind != Removed:
		return e, fmt.Errorf("there is no kind %.40q", f.Kind)
	case f.Generation < 1 || f.Generation > revision:
		return e, fmt.Errorf("generation %d is not possible in revision %d", f.Generation, revision)
	case (f.Kind == Made) != (f.Configured == "") || f.Configured != "" && !digestForm.MatchString(f.Configured):
		return e, fmt.Errorf("%.80q is no digest for a task that is %s", f.Configured, f.Kind)
	case own != (len(f.Task) > 0):
		return e, fmt.Errorf("a task that is %s has a description: %v", f.Kind, len(f.Task) > 0)
	case len(f.Parameters) > maxViews || len(f.Parameters) > 0 && f.Kind == Removed:
		return e, fmt.Errorf("%d parameters are not possible of a task that is %s", len(f.Parameters), f.Kind)
	}
	for _, text := range f.Parameters {
		p := &facetdv1.ViewParameters{}
		if err := protojson.Unmarshal(text, p); err != nil {
			return e, err
		}
		e.Parameters = append(e.Parameters, p)
	}
	if !own {
		return e, nil
	}
	e.Task = &facetdv1.Task{}
	if err := protojson.Unmarshal(f.Task, e.Task); err != nil {
		return e, err
	}
	if e.Task.GetName() != f.Name {
		return e, fmt.Errorf("its task is called %.40q", e.Task.GetName())
	}
	return e, nil
}

// Digest identifies a task's description, whatever the layout of the file that it came from.
// It is empty for nil.
func Digest(t *facetdv1.Task) string {
	if t == nil {
		return ""
	}
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(t)
	if err != nil {
		return "" // a text that is not UTF-8, which no parser lets through
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}
