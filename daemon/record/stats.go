package record

import facetdv1 "facetd.example/api/facetd/v1"

// Stats counts over all recordings of this process.
type Stats struct {
	// Running is how many recordings run now.
	Running int
	// Closed and Failed count recordings that have ended.
	Closed, Failed uint64
	// Messages and FrameSets are in files, of running recordings those that the disk has
	// confirmed: what was only handed to the system may still be refused. Bytes were written.
	Messages, FrameSets, Bytes uint64
	// Lost counts messages that no file holds, LostFrameSets the frame sets among them: the
	// queue was full, or the disk failed before it had them.
	Lost, LostFrameSets uint64
	// Deleted counts recordings by why they were deleted.
	Deleted Deleted
	// FreeSpace is how many bytes the disk had left when a running recording last looked,
	// beyond those that are kept free; negative when it is short of them. HasFreeSpace is
	// false while no recording runs.
	FreeSpace    int64
	HasFreeSpace bool
}

// Deleted counts recordings that were deleted: by request, or because they were older, or all of them together larger,
// than is kept.
type Deleted struct{ Request, Age, Size uint64 }

// add counts a recording that runs or has ended.
func (s *Stats) add(r *recording) {
	l := r.queue.lostTotal()
	s.Lost += l.messages
	s.LostFrameSets += l.frameSets
	r.mu.Lock()
	defer r.mu.Unlock()
	s.Messages += r.synced.messages
	s.FrameSets += r.synced.frameSets
	s.Bytes += r.written
	switch r.info.GetState() {
	case facetdv1.RecordingState_RECORDING_STATE_CLOSED:
		s.Closed++
	case facetdv1.RecordingState_RECORDING_STATE_FAILED:
		s.Failed++
	}
}

// Stats returns the counts until now. It does not touch the disk.
func (m *Manager) Stats() Stats {
	m.mu.Lock()
	defer m.mu.Unlock()
	s := m.past
	s.Deleted = Deleted{m.deleted[byRequest], m.deleted[byAge], m.deleted[bySize]}
	running := *m.running.Load()
	s.Running = len(running)
	for _, r := range running {
		s.add(r)
		if free := r.free.Load(); free != nil {
			s.FreeSpace, s.HasFreeSpace = *free, true
		}
	}
	return s
}

// noteFreeSpace keeps how much free space the disk has.
func (r *recording) noteFreeSpace(free uint64) {
	spare := int64(min(free, 1<<62)) - int64(min(r.cfg.KeepFree, 1<<62))
	r.free.Store(&spare)
}
