package server

import (
	"context"
	"errors"
	"strings"

	"go.uber.org/zap/zapcore"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/config"
	"facetd.example/daemon/events"
	"facetd.example/daemon/reload"
)

// Reload reads the configuration again and applies what differs, all of it or nothing: the
// level of the log, the light on a virtual bus, the tasks, certificates and tokens. Of the
// tasks only the difference between the files counts: what came over the API stays. A
// configuration that differs in anything else is refused. The outcome is logged, an event,
// and returned as an error where it was refused: what read returns, and the errors of
// reload.Apply. Reloads wait for each other.
func (s *Server) Reload(ctx context.Context, read func() (config.Config, error)) error {
	s.reloading.Lock()
	defer s.reloading.Unlock()
	s.cfg.Supervisor.Reloading()
	ctx, cancel := context.WithTimeout(ctx, reload.Limit)
	defer cancel()
	changes, err := s.apply(ctx, read)
	text := "configuration read again, nothing differs"
	switch {
	case err != nil:
		text = "configuration refused: " + err.Error()
	case len(changes) > 0:
		text = "configuration applied: " + strings.Join(changes, "; ")
	}
	if err != nil {
		s.log.Warn(text)
	} else {
		s.log.Info(text)
	}
	e := events.Info(facetdv1.EventKind_EVENT_KIND_CONFIGURATION, text)
	e.BusNs = new(s.bus.Now().NS())
	if err != nil {
		e.Severity = facetdv1.Severity_SEVERITY_WARNING
	}
	s.keeping.journal.Append(e)
	state := s.statusLine()
	if err != nil {
		state += "; the configuration was refused"
	}
	s.cfg.Supervisor.Ready(state)
	return err
}

// apply reads the configuration and has the reload apply it.
func (s *Server) apply(ctx context.Context, read func() (config.Config, error)) (changes []string, err error) {
	next, err := read()
	if err != nil {
		return nil, err
	}
	return s.reload.Apply(ctx, next)
}

// reloadable makes the reload of a daemon that runs what was read.
func (s *Server) reloadable(in *inputs) *reload.Reload {
	parts := []reload.Part{s.levelPart, s.accessPart}
	if s.player != nil {
		return reload.New(s.cfg.Config, reload.Files{}, nil, nil, parts...)
	}
	return reload.New(s.cfg.Config, s.reloadFiles(in, s.cfg.Scene), s.owner, s.reloadRead, parts...)
}

// reloadRead reads the files of another configuration.
func (s *Server) reloadRead(next *config.Config) (reload.Files, invalid.Errors) {
	setup := s.cfg
	setup.Config = *next
	if s.bridges() {
		setup.Grain = s.grain // the device's
	}
	in, m := setup.load(s.log)
	if len(m) == 0 && in.array.Digest != s.array.Digest {
		m.Add("array", "its file now holds another array than the one that runs", "restart the daemon to run it")
	}
	return s.reloadFiles(in, next.Scene), m
}

func (s *Server) reloadFiles(in *inputs, described string) reload.Files {
	return reload.Files{
		Tasks: in.tasks, Light: in.light, SetLight: func() { s.light.Replace(described, in.scene) },
		Applied: func() {
			if s.stored != nil {
				s.stored.Configured(in.tasks)
			}
		},
	}
}

// levelPart applies the level of the log.
func (s *Server) levelPart(next *config.Config) (c reload.Change, wrong invalid.Errors) {
	level, err := zapcore.ParseLevel(next.Log.Level)
	if err != nil {
		wrong.Add("log.level", err.Error(), "")
		return c, wrong
	}
	if s.level.Level() != level {
		c.Say = "log level " + next.Log.Level
	}
	c.Commit = func() { s.level.SetLevel(level) }
	return c, nil
}

// accessPart reads certificates, revocation lists and tokens again, also where the
// configuration names the same files.
func (s *Server) accessPart(next *config.Config) (c reload.Change, wrong invalid.Errors) {
	commit, changed, err := s.access.Prepare(next.Access)
	if err != nil {
		if !errors.As(err, &wrong) {
			wrong.Add("access", err.Error(), "")
		}
		return c, wrong
	}
	if changed {
		c.Say = "access"
	}
	c.Commit = commit
	return c, nil
}
