package replay

import (
	"cmp"
	"errors"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strconv"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/record"
)

// GapError says that files are not the parts of one recording in order. The caller
// should name all of them.
type GapError struct{ File, What string }

func (e *GapError) Error() string { return e.File + ": " + e.What }

// ErrEmpty is the error of a recording in which nothing was recorded.
var ErrEmpty = errors.New("the recording holds no frame sets and no timetables")

// tape is the files of one recording as one sequence. One goroutine plays it.
type tape struct {
	files           []string
	readers         []*record.Reader
	array           *facetdv1.Array
	plans           []*facetdv1.PlanChange // in order
	jobs            map[string]uint64      // numbers that the jobs of a task take
	firstNS, lastNS int64                  // bus time
	// hostOffsetNS is host time minus bus time.
	hostOffsetNS int64
}

func openTape(files []string) (*tape, error) {
	t := &tape{files: files}
	if err := t.open(files); err != nil {
		return nil, errors.Join(err, t.close())
	}
	return t, nil
}

func (t *tape) open(files []string) error {
	if len(files) == 0 {
		return errors.New("no files are named")
	}
	for i, name := range files {
		r, err := record.Open(name)
		if err != nil {
			return err
		}
		t.readers = append(t.readers, r)
		first := t.readers[0].Metadata()
		md := r.Metadata()
		number, err := strconv.Atoi(md["part"])
		begin, firstErr := strconv.Atoi(first["part"])
		switch {
		case err != nil || firstErr != nil:
			return &GapError{name, "it does not say which part it is"}
		case md["recording"] != first["recording"] || md["array_digest"] != first["array_digest"]:
			return &GapError{name, fmt.Sprintf("it is of recording %q, and the first file of %q", md["recording"],
				first["recording"])}
		case number != begin+i:
			return &GapError{name, fmt.Sprintf("it is part %d where part %d belongs", number, begin+i)}
		}
	}
	return t.index()
}

// chunk reads a chunk of a file; errors name the file.
func (t *tape) chunk(file, chunk int) ([]record.Entry, error) {
	entries, err := t.readers[file].Chunk(chunk)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", t.files[file], err)
	}
	return entries, nil
}

// place is a chunk of a file.
type place struct{ reader, chunk int }

// index finds the array, the plans, the job numbers and the span. It reads only the
// chunks that hold plans or arrays, and the first and last of each task.
func (t *tape) index() error {
	first, last := map[string]place{}, map[string]place{}
	wanted := map[place]bool{}
	for i, r := range t.readers {
		for c := range r.Chunks() {
			for _, topic := range r.ChunkTopics(c) {
				here := place{i, c}
				switch {
				case topic == record.TopicPlan, topic == record.TopicArray:
					wanted[here] = true
				case topic == record.TopicCaptures, strings.HasPrefix(topic, record.TopicFrames):
					if _, seen := first[topic]; !seen {
						first[topic] = here
					}
					last[topic] = here
				}
			}
		}
	}
	for topic := range first {
		wanted[first[topic]], wanted[last[topic]] = true, true
	}
	begin, end := map[string]uint64{}, map[string]uint64{}
	for _, at := range slices.SortedFunc(maps.Keys(wanted), func(a, b place) int {
		return cmp.Or(a.reader-b.reader, a.chunk-b.chunk)
	}) {
		entries, err := t.chunk(at.reader, at.chunk)
		if err != nil {
			return err
		}
		for _, e := range entries {
			switch {
			case e.Array != nil && t.array == nil:
				t.array = e.Array
			case e.Plan != nil && (len(t.plans) == 0 ||
				e.Plan.GetEffectiveBusNs() > t.plans[len(t.plans)-1].GetEffectiveBusNs()):
				t.plans = append(t.plans, e.Plan)
			case e.Frames != nil:
				task := e.Frames.GetTask()
				if _, seen := begin[task]; !seen {
					begin[task] = e.Frames.GetJob()
				}
				end[task] = e.Frames.GetJob() + 1
			}
		}
	}
	if t.array == nil {
		return ErrEmpty
	}
	t.jobs = map[string]uint64{}
	for task := range begin {
		t.jobs[task] = end[task] - begin[task]
	}
	return t.span()
}

func (t *tape) span() error {
	found := false
	for e, err := range t.from(minNS) {
		if err != nil {
			return err
		}
		if at, is := busTime(&e); is && e.Frames != nil {
			t.firstNS, t.hostOffsetNS, found = at, int64(e.LogNS)-at, true
			break
		}
	}
	if !found {
		if len(t.plans) == 0 {
			return ErrEmpty
		}
		t.firstNS = t.plans[0].GetEffectiveBusNs()
	}
	// A plan that took effect after the recording began and before its first frame set.
	for _, p := range t.plans[min(1, len(t.plans)):] {
		t.firstNS = min(t.firstNS, p.GetEffectiveBusNs())
	}
	// Frame sets come in the order of their ends. The last part may hold none: it begins with what every part
	// begins with, among that the active plan.
	t.lastNS = t.firstNS
	for _, p := range t.plans {
		t.lastNS = max(t.lastNS, p.GetEffectiveBusNs())
	}
	for i := len(t.readers) - 1; i >= 0; i-- {
		for c := t.readers[i].Chunks() - 1; c >= 0; c-- {
			entries, err := t.chunk(i, c)
			if err != nil {
				return err
			}
			any := false
			for _, e := range entries {
				if e.Frames != nil {
					t.lastNS, any = max(t.lastNS, e.Frames.GetFinishBusNs()), true
				}
			}
			if any {
				return nil
			}
		}
	}
	return nil
}

const minNS = -1 << 62

// from returns everything that was recorded, beginning with the chunk that holds a bus
// time; entries from before it may come first.
func (t *tape) from(busNS int64) iter.Seq2[record.Entry, error] {
	return func(yield func(record.Entry, error) bool) {
		var log uint64
		if busNS > minNS {
			log = uint64(max(t.hostOffsetNS+busNS, 0))
		}
		for n, r := range t.readers {
			for i := r.ChunkAt(log); i < r.Chunks(); i++ {
				entries, err := t.chunk(n, i)
				if err != nil {
					yield(record.Entry{}, err)
					return
				}
				for _, e := range entries {
					if !yield(e, nil) {
						return
					}
				}
			}
		}
	}
}

// planAt is the active plan at a bus time: the first one where there is none before,
// nil where there is none at all.
func (t *tape) planAt(busNS int64) *facetdv1.PlanChange {
	if len(t.plans) == 0 {
		return nil
	}
	at := t.plans[0]
	for _, p := range t.plans {
		if p.GetEffectiveBusNs() <= busNS {
			at = p
		}
	}
	return at
}

func (t *tape) close() error {
	var errs []error
	for _, r := range t.readers {
		errs = append(errs, r.Close())
	}
	return errors.Join(errs...)
}

// busTime is when something happened in bus time; false for what is not played.
func busTime(e *record.Entry) (int64, bool) {
	switch {
	case e.Frames != nil:
		return e.Frames.GetFinishBusNs(), true
	case e.Plan != nil:
		return e.Plan.GetEffectiveBusNs(), true
	case e.Event != nil:
		return e.Event.GetBusNs(), e.Event.BusNs != nil
	case e.Status != nil:
		return e.Status.GetBusNs(), true
	}
	return 0, false
}
