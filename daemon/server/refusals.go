package server

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/events"
)

// How often refusals become an event: those of a minute, where they are many; while they go on each event stands for
// twice as long as the one before it, up to an hour. The metrics have all of them.
const (
	refusalPeriod  = time.Minute
	refusalMost    = time.Hour
	refusalsToTell = 20
)

// tellRefusals sends an event now and then while many are refused, until ctx ends. refused gives how many there were,
// by reason.
func tellRefusals(ctx context.Context, refused func() map[string]uint64, send events.Sink) {
	tick := time.NewTicker(refusalPeriod)
	defer tick.Stop()
	told, since, wait := refused(), time.Now(), refusalPeriod
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		span := time.Since(since)
		if span < wait {
			continue
		}
		now := refused()
		if e := refusalEvent(told, now, span); e != nil {
			send.Send(e)
			wait = min(2*wait, refusalMost)
		} else {
			wait = refusalPeriod
		}
		told, since = now, time.Now()
	}
}

// refusalEvent is the event about what was refused in a while, nil where that is little.
func refusalEvent(before, after map[string]uint64, span time.Duration) *facetdv1.Event {
	var total uint64
	var parts []string
	fields := events.Fields{}
	for _, reason := range slices.Sorted(maps.Keys(after)) {
		n := after[reason] - before[reason]
		if n == 0 {
			continue
		}
		total += n
		parts = append(parts, fmt.Sprintf("%d %s", n, reason))
		fields[reason] = events.Integer(n)
	}
	if total < refusalsToTell {
		return nil
	}
	e := events.Info(facetdv1.EventKind_EVENT_KIND_ACCESS_REFUSED, fmt.Sprintf(
		"%d calls, requests and connections were refused within %v: %s; the log has the addresses of some", total,
		span.Round(time.Second), strings.Join(parts, ", ")))
	e.Severity = facetdv1.Severity_SEVERITY_WARNING
	e.Fields = fields
	return e
}
