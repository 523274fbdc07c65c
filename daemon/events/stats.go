package events

import facetdv1 "facetd.example/api/facetd/v1"

// Stats are the counts since the journal was opened.
type Stats struct {
	// Appended counts events by severity, those of none as information.
	Appended [facetdv1.Severity_SEVERITY_ERROR + 1]uint64
	// QueueFull and DiskRefused count events that are in memory alone: too many waited
	// for the disk, or it refused them.
	QueueFull, DiskRefused uint64
	// Removed counts events whose file was removed by somebody else while it was written.
	Removed uint64
	// Streams is how many subscribers there are now.
	Streams int
	// Dropped counts events that were dropped because a subscriber was slow, once for
	// each that lost one; Abandoned those that still waited when theirs left.
	Dropped, Abandoned uint64
}

// count counts an event.
func (s *Stats) count(e *facetdv1.Event) {
	severity := e.GetSeverity()
	if severity <= facetdv1.Severity_SEVERITY_UNSPECIFIED || int(severity) >= len(s.Appended) {
		severity = facetdv1.Severity_SEVERITY_INFO
	}
	s.Appended[severity]++
}

// Stats returns the counts until now.
func (j *Journal) Stats() Stats {
	j.mu.Lock()
	defer j.mu.Unlock()
	s := j.stats
	s.Streams = len(j.subs)
	for _, sub := range j.subs {
		s.Dropped += sub.droppedTotal()
	}
	return s
}

// droppedTotal is what the subscriber has lost since it subscribed.
func (s *Subscription) droppedTotal() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.lost
}
