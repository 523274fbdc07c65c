package taskstore

import (
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/retry"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Requests are stored with their answers, the last of them, and read as they were written.
func TestRequestsAreStored(t *testing.T) {
	a := list(task("a", 1))
	s, _ := after(&State{}, a, a, nil, 500)
	digest := strings.Repeat("0a", 32)
	asked := func(i int) retry.Request { return retry.Request{Caller: "robot", ID: fmt.Sprint(i), Digest: digest} }
	shifts := []*facetdv1.TaskShift{{Task: "a", ShiftNs: -5, PlannedRateBeforeHz: 2, PlannedRateHz: 3}}
	for i := range MaxRequests + 10 {
		s.remember(requestOf(asked(i), dispatch.Change{Effective: 7, Revision: uint64(i + 1), Shifts: shifts}))
		s.remember(nil)
	}
	data, err := s.Encode()
	if err != nil {
		t.Fatal(err)
	}
	read, err := Parse(data)
	if err != nil {
		t.Fatal(err)
	}
	k := &Keeper{state: read}
	if k.requested(asked(9)) != nil || len(read.Requests) != MaxRequests {
		t.Errorf("%d requests are stored, %v", len(read.Requests), k.requested(asked(9)))
	}
	known := k.requested(asked(10))
	if known == nil {
		t.Fatal("the oldest of those that are kept is gone")
	}
	got, err := known.answer(asked(10))
	if want := (dispatch.Change{Effective: 7, Revision: 11, Shifts: shifts}); err != nil ||
		!reflect.DeepEqual(got, want) {
		t.Errorf("%v %v, want %v", got, err, want)
	}
	other := asked(10)
	other.Digest = "other"
	var reused *failure.Reused
	if _, err := known.answer(other); !errors.As(err, &reused) {
		t.Errorf("another request: %v", err)
	}
	for what, damage := range map[string]func(*Request){
		"no id":    func(r *Request) { r.ID = "" },
		"long id":  func(r *Request) { r.ID = strings.Repeat("x", retry.MaxID+1) },
		"digest":   func(r *Request) { r.Digest = "x" },
		"revision": func(r *Request) { r.Revision = 501 },
	} {
		bad := *read
		bad.Requests = append([]Request(nil), read.Requests...)
		damage(&bad.Requests[3])
		data, err := bad.Encode()
		if err != nil {
			t.Fatal(err)
		}
		var damaged *DamagedError
		if _, err := Parse(data); !errors.As(err, &damaged) || !strings.Contains(err.Error(), "requests[3]") {
			t.Errorf("%s: %v", what, err)
		}
	}
}
