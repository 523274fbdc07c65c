package fleet

import (
	"cmp"
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fleetv1 "facetd.example/api/facetfleet/v1"
)

// statusOf reads what a robot says of itself. A robot may say anything: a status that cannot be read is told as that
// robot's trouble, and must not keep anybody from reading the others'.
func statusOf(data []byte) *fleetv1.Robot {
	r := &fleetv1.Robot{}
	err := proto.Unmarshal(data, r)
	if err == nil {
		err = checkTimes(r.GetTime(), r.GetDaemonTime(), r.GetOutcome().GetTime())
	}
	for _, a := range r.GetAlarmList() {
		err = cmp.Or(err, checkTimes(a.GetSinceTime()))
	}
	if u := r.GetUtilization(); err == nil && (math.IsNaN(u) || math.IsInf(u, 0)) {
		err = fmt.Errorf("the utilization %v is no number", u)
	}
	if err != nil {
		return &fleetv1.Robot{Trouble: "its status cannot be read: " + err.Error()}
	}
	return r
}

// robotEventOf reads a message of the stream of events; one that cannot be read is a gap of one event.
func robotEventOf(data []byte, stored time.Time) *fleetv1.RobotEvent {
	e := &fleetv1.RobotEvent{}
	err := proto.Unmarshal(data, e)
	if err == nil {
		err = checkTimes(e.GetGap().GetTime(), e.GetEvent().GetTime())
	}
	if err == nil && e.GetWhat() == nil {
		err = fmt.Errorf("there is no event in it")
	}
	if err != nil {
		return unreadable(err, stored)
	}
	return e
}

func unreadable(err error, stored time.Time) *fleetv1.RobotEvent {
	return &fleetv1.RobotEvent{What: &fleetv1.RobotEvent_Gap{Gap: &fleetv1.EventGap{Events: 1, Exact: true,
		Reason: "it cannot be read: " + err.Error(), Time: timestamppb.New(stored)}}}
}

// checkTimes refuses times beyond those that JSON can have; none is no error.
func checkTimes(times ...*timestamppb.Timestamp) error {
	for _, t := range times {
		if t != nil && t.CheckValid() != nil {
			return fmt.Errorf("the time %d s after 1970 is none", t.GetSeconds())
		}
	}
	return nil
}
