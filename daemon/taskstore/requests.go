package taskstore

import (
	"fmt"
	"unicode/utf8"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/retry"
)

// MaxRequests is how many requests are stored; the oldest is forgotten first. It is far more than a client has under
// way when the daemon goes down, and little to write.
const MaxRequests = 256

// maxShifts is how many shifts the requests that are stored have together; the oldest request is forgotten first. With
// the longest names of tasks they take 3 MB, well below what a file may have.
const maxShifts = 4096

// Request is what is stored of a request with an id that changed the tasks, and of its answer.
type Request struct {
	Caller string `json:"caller,omitempty"`
	ID     string `json:"id"`
	// Digest stands for what was asked.
	Digest string `json:"digest"`
	// Revision of the tasks that it made, and when they were active, by the bus time of that process.
	Revision    uint64  `json:"revision"`
	EffectiveNS int64   `json:"effective_bus_ns"`
	Shifts      []Shift `json:"shifts,omitempty"`
}

// Shift is a TaskShift of an answer.
type Shift struct {
	Task         string  `json:"task"`
	ShiftNS      int64   `json:"shift_ns"`
	RateBeforeHz float64 `json:"planned_rate_before_hz"`
	RateHz       float64 `json:"planned_rate_hz"`
}

// requestOf is what is stored of a request that was done.
func requestOf(r retry.Request, done dispatch.Change) *Request {
	out := &Request{Caller: r.Caller, ID: r.ID, Digest: r.Digest, Revision: done.Revision,
		EffectiveNS: done.Effective.NS()}
	for _, s := range done.Shifts {
		out.Shifts = append(out.Shifts, Shift{s.GetTask(), s.GetShiftNs(), s.GetPlannedRateBeforeHz(),
			s.GetPlannedRateHz()})
	}
	return out
}

// answer is that of the request that was done, for one of the same id. Errors: *failure.Reused.
func (r *Request) answer(to retry.Request) (dispatch.Change, error) {
	if r.Digest != to.Digest {
		return dispatch.Change{}, &failure.Reused{ID: r.ID}
	}
	out := dispatch.Change{Effective: bus.Time(r.EffectiveNS), Revision: r.Revision}
	for _, s := range r.Shifts {
		out.Shifts = append(out.Shifts, &facetdv1.TaskShift{Task: s.Task, ShiftNs: s.ShiftNS,
			PlannedRateBeforeHz: s.RateBeforeHz, PlannedRateHz: s.RateHz})
	}
	return out, nil
}

// requested finds a request that was done.
func (k *Keeper) requested(r retry.Request) *Request {
	k.writing.Lock()
	defer k.writing.Unlock()
	for i := range k.state.Requests {
		if known := k.state.Requests[i]; known.Caller == r.Caller && known.ID == r.ID {
			return &known
		}
	}
	return nil
}

// remember adds a request, where it is one. What others hold of the state is not changed.
func (s *State) remember(r *Request) {
	if r == nil {
		return
	}
	first, shifts := max(len(s.Requests)+1-MaxRequests, 0), len(r.Shifts)
	for i := len(s.Requests) - 1; i >= first; i-- {
		if shifts += len(s.Requests[i].Shifts); shifts > maxShifts {
			first = i + 1
		}
	}
	s.Requests = append(append([]Request(nil), s.Requests[first:]...), *r)
}

// checkRequests finds what is wrong with requests of a file of a revision.
func checkRequests(list []Request, revision uint64) error {
	if len(list) > MaxRequests {
		return fmt.Errorf("%d requests are too many", len(list))
	}
	for i, r := range list {
		switch {
		case r.ID == "" || len(r.ID) > retry.MaxID || len(r.Caller) > maxName || !utf8.ValidString(r.ID+r.Caller):
			return fmt.Errorf("requests[%d]: %.40q of %.40q is no id", i, r.ID, r.Caller)
		case !digestForm.MatchString(r.Digest):
			return fmt.Errorf("requests[%d]: %.80q is no digest", i, r.Digest)
		case r.Revision < 1 || r.Revision > revision:
			return fmt.Errorf("requests[%d]: revision %d is not possible in %d", i, r.Revision, revision)
		}
	}
	return nil
}
