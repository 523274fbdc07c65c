package server

import (
	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/daemon/environment"
	"facetd.example/daemon/events"
	"facetd.example/daemon/probe"
	"facetd.example/daemon/record/replay"
)

// playHooks are whom a player notifies. They are there before the rest of the daemon, which needs
// the array that the player finds in the recording, and filled in before it runs.
type playHooks struct {
	observers
	events events.Sink
}

// loadRecording opens a recording, in which the array is.
func (c *Setup) loadRecording(files []string, log *zap.Logger) (*inputs, invalid.Errors) {
	in := &inputs{hooks: &playHooks{}}
	var m invalid.Errors
	var err error
	in.player, err = replay.New(replay.Config{
		Files: files, Observer: in.hooks, Events: func(e *facetdv1.Event) { in.hooks.events(e) },
		Speed: c.Replay.Speed, Loop: c.Replay.Loop, Stepped: c.Replay.Stepped, Logger: log.Named("replay"),
	})
	if err != nil {
		m.Add("bus", fileio.Plain(err).Error(),
			"give the closed files of one recording in order; 'facetd recover' closes what a crash left")
		return nil, m
	}
	if in.array, m = chipmodel.New(in.player.Array()); len(m) > 0 {
		for i := range m {
			m[i].File = files[0]
		}
		_ = in.player.Close() // it was only read
		return nil, m
	}
	return in, nil
}

// playback puts the player in the place of bus and dispatcher.
func (s *Server) playback(in *inputs) (*probe.Config, error) {
	s.player, s.bus, s.dispatcher = in.player, in.player, in.player
	if err := s.keep(); err != nil {
		_ = s.bus.Close() // it was only read
		return nil, err
	}
	in.hooks.observers = s.observers()
	in.hooks.events = func(e *facetdv1.Event) {
		if !ofTheRecorder(e.GetKind()) {
			s.keeping.journal.Append(e)
		}
	}
	s.light = environment.New(environment.Config{}) // which refuses
	return &probe.Config{
		Array: s.array, Now: s.bus.Now, Refused: &replay.RefusedError{What: "measuring an array or putting faults " +
			"into it"},
	}, nil
}

// ofTheRecorder reports whether such an event is about the daemon that recorded, and not about its
// array: in the journal of this daemon it would mislead.
func ofTheRecorder(k facetdv1.EventKind) bool {
	switch k {
	case facetdv1.EventKind_EVENT_KIND_DAEMON_STARTED, facetdv1.EventKind_EVENT_KIND_DAEMON_STOPPED,
		facetdv1.EventKind_EVENT_KIND_RECORDING_STARTED, facetdv1.EventKind_EVENT_KIND_RECORDING_STOPPED,
		facetdv1.EventKind_EVENT_KIND_RECORDING_FAILED, facetdv1.EventKind_EVENT_KIND_RECORDING_LOST,
		facetdv1.EventKind_EVENT_KIND_RECORDING_RECOVERED, facetdv1.EventKind_EVENT_KIND_RECORDING_DELETED,
		facetdv1.EventKind_EVENT_KIND_JOURNAL_LOST:
		return true
	}
	return false
}
