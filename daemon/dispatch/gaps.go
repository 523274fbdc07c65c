package dispatch

import (
	"time"

	"facetd.example/scheduler"
)

// longestGap is the longest idle part of a timetable over which no open job touches the chips.
func longestGap(p *scheduler.Plan, idle []scheduler.Idle, chips []int) time.Duration {
	var most time.Duration
	for i := range idle {
		if g := &idle[i]; g.To-g.From > most && !p.Clash(g.Open, chips) {
			most = g.To - g.From
		}
	}
	return most
}

// overlap reports whether two ascending lists share a member.
func overlap(a, b []int) bool {
	for i, j := 0, 0; i < len(a) && j < len(b); {
		switch {
		case a[i] == b[j]:
			return true
		case a[i] < b[j]:
			i++
		default:
			j++
		}
	}
	return false
}
