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

// However many tasks the changes have moved, and whatever those are called, what is written can be read again.
func TestRequestsThatMovedManyTasks(t *testing.T) {
	var tasks []*facetdv1.Task
	var shifts []*facetdv1.TaskShift
	for i := range 256 {
		name := fmt.Sprintf("%064d", i)
		name = strings.Replace(name, "0", "<", 40) // which JSON writes as six characters
		tasks = append(tasks, task(name, 1))
		shifts = append(shifts, &facetdv1.TaskShift{Task: name, ShiftNs: -123456789012, PlannedRateBeforeHz: 100. / 3,
			PlannedRateHz: 100. / 7})
	}
	s, _ := after(&State{}, tasks, tasks, nil, 500)
	asked := func(i int) retry.Request {
		return retry.Request{Caller: "robot", ID: fmt.Sprint(i), Digest: strings.Repeat("0a", 32)}
	}
	for i := range MaxRequests {
		s.remember(requestOf(asked(i), dispatch.Change{Effective: 7, Revision: uint64(i + 1), Shifts: shifts}))
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
	if known := k.requested(asked(MaxRequests - 1)); known == nil || len(known.Shifts) != len(shifts) {
		t.Errorf("the last is known as %v", known)
	}
	if len(read.Requests) != maxShifts/len(shifts) {
		t.Errorf("%d requests are stored", len(read.Requests))
	}
}

// What could not be read again is not written in place of what can.
func TestTooMuchIsNotWritten(t *testing.T) {
	a := list(task("a", 1))
	s, _ := after(&State{}, nil, a, nil, 1)
	s.Tasks[0].Task.Views = []*facetdv1.View{{Name: strings.Repeat("v", maxBytes)}}
	if data, err := s.Encode(); err == nil || !strings.Contains(err.Error(), "more than") {
		t.Errorf("%d bytes, %v", len(data), err)
	}
}

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
