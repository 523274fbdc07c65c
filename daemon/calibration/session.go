package calibration

import (
	"cmp"
	"context"
	"crypto/rand"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/api/pages"
	"facetd.example/chipmodel"
	"facetd.example/daemon/calibration/correction"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler/program"
)

// session is an operator's way through several levels. The service's mu guards it, but for
// what busy gives to one call at a time: the levels.
type session struct {
	id       string
	created  time.Time
	expires  time.Time
	views    []*facetdv1.View
	method   facetdv1.CalibrationMethod
	note     string
	kelvin   *float64 // as measured; nil where nobody said
	units    []unit
	subjects []subject
	levels   []*level // by rising light
	busy     bool
	samples  int // pixels times levels, those being gathered included
}

// unit is chips that are read in one capture: one, or several that cannot be told apart.
type unit struct {
	chips  []string
	target *facetdv1.Target
}

// subject is what gets a correction map: one view of one chip.
type subject struct {
	key      key
	chip     int
	view     string
	settings *facetdv1.ViewSettings
	shape    correction.Shape
	scale    correction.Scale
	// perDecade is the slope of logarithmic pixels as the class says, in codes per decade
	// of light at 300 K; 0 for others.
	perDecade float64
}

// level is what was gathered under one light, by subject.
type level struct {
	lux             float64
	frames          int
	gathered        []*correction.Accumulator
	firstNS, lastNS []int64
	shown           *facetdv1.CollectedLevel
	kelvin          []float64
}

// errNotOpen is what a call with an unknown session ends with.
func errNotOpen(id string) error { return &failure.NotFound{What: "open calibration", Name: id} }

// StartCalibration opens a session; every chip is read once to see that it can be.
func (s *Service) StartCalibration(ctx context.Context,
	r *facetdv1.StartCalibrationRequest) (*facetdv1.StartCalibrationResponse, error) {
	ses, err := s.newSession(r)
	if err != nil {
		return nil, err
	}
	for _, u := range ses.units {
		if _, err := s.capture(ctx, u, ses.views); err != nil {
			return nil, err
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.expire()
	if len(s.sessions) >= MaxSessions {
		return nil, &failure.Exhausted{Message: fmt.Sprintf("%d calibrations are open, which is the most; finish or "+
			"abort one of %s",
			MaxSessions, strings.Join(s.openIDs(), ", "))}
	}
	s.sessions[ses.id] = ses
	s.touch(ses)
	return &facetdv1.StartCalibrationResponse{Session: s.sessionMessage(ses)}, nil
}

// newSession checks a request and lays out what is to be calibrated.
func (s *Service) newSession(r *facetdv1.StartCalibrationRequest) (*session, error) {
	now := s.cfg.Clock()
	ses := &session{id: strings.ToLower(rand.Text()[:8]), created: now, method: r.GetMethod(), note: r.GetNote(),
		kelvin: r.DieKelvin}
	var m invalid.Errors
	target, views, err := s.wanted(r, &m)
	if err != nil {
		return nil, err
	}
	if _, known := facetdv1.CalibrationMethod_name[int32(r.GetMethod())]; !known {
		m.Add("method", fmt.Sprintf("there is no method %d", r.GetMethod()),
			"use OFFSET, OFFSET_GAIN, LOG_RESPONSE or leave it out")
	}
	checkKelvin(&m, r.DieKelvin)
	if n := utf8.RuneCountInString(r.GetNote()); n > maxNote {
		m.Add("note", fmt.Sprintf("the note has %d characters", n), fmt.Sprintf("at most %d", maxNote))
	}
	if len(m) > 0 {
		return nil, m
	}
	chips, m := s.cfg.Array.Resolve(target)
	if len(m) > 0 {
		return nil, m.Under("target")
	}
	ses.views = views
	ses.units = unitsOf(s.cfg.Array, chips)
	for _, c := range chips {
		subjects, err := subjectsOf(s.cfg.Array, c, views)
		if err != nil {
			return nil, err
		}
		if r.GetMethod() == facetdv1.CalibrationMethod_CALIBRATION_METHOD_LOG_RESPONSE &&
			s.cfg.Array.Chips[c].Class.Spec.GetLinear() != nil {
			m.Add("method", fmt.Sprintf("chip %s has linear pixels, which have no logarithmic response",
				s.cfg.Array.Chips[c].Name), "use OFFSET_GAIN or OFFSET for them")
		}
		ses.subjects = append(ses.subjects, subjects...)
	}
	return ses, m.Err()
}

// wanted is the target and the views of a request: those of a task, or its own.
func (s *Service) wanted(r *facetdv1.StartCalibrationRequest, m *invalid.Errors) (*facetdv1.Target, []*facetdv1.View,
	error) {
	if r.GetTask() == "" {
		if r.GetTarget() == nil {
			m.Add("target", "no chips are named", "give a target, or a running task")
		}
		return r.GetTarget(), r.GetViews(), nil
	}
	if r.GetTarget() != nil || len(r.GetViews()) > 0 {
		m.Add("task", "a task brings its own chips and views", "leave out target and views, or the task")
	}
	for _, t := range s.cfg.Tasks() {
		if t.GetTask().GetName() == r.GetTask() {
			return t.GetTask().GetTarget(), still(t.GetTask().GetViews()), nil
		}
	}
	return nil, nil, &failure.NotFound{What: "task", Name: r.GetTask()}
}

func checkKelvin(m *invalid.Errors, k *float64) {
	if k != nil && !(*k >= 150 && *k <= 500) {
		m.Add("die_kelvin", fmt.Sprintf("%g K is not possible", *k), "give 150 to 500 K, or leave it out")
	}
}

// unitsOf groups chips into captures: each alone, but for those that listen whenever
// another does.
func unitsOf(a *chipmodel.Array, chips []int) []unit {
	group := map[int]int{} // chip to the first of its group
	for _, c := range chips {
		group[c] = c
	}
	for _, c := range chips {
		for _, other := range a.Reach(a.Chips[c].Wires) {
			from, in := group[other]
			if to := group[c]; in && from != to {
				for k, v := range group {
					if v == from {
						group[k] = to
					}
				}
			}
		}
	}
	var out []unit
	for _, c := range chips {
		var names []string
		for _, other := range chips {
			if group[other] == c {
				names = append(names, a.Chips[other].Name)
			}
		}
		if len(names) > 0 {
			out = append(out, unitOf(names...))
		}
	}
	return out
}

// still are views of which nothing moves, as they are captured for maps: at the values that they have at first.
func still(views []*facetdv1.View) []*facetdv1.View {
	out := make([]*facetdv1.View, len(views))
	for i, v := range views {
		out[i] = proto.CloneOf(v)
		out[i].Movable, out[i].Automatic = nil, nil
	}
	return out
}

func unitOf(names ...string) unit {
	return unit{names, &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: names}}}}
}

// subjectsOf lays out the views of one chip. Errors: invalid.Errors.
func subjectsOf(a *chipmodel.Array, c int, specs []*facetdv1.View) ([]subject, error) {
	chip := &a.Chips[c]
	views, err := program.ResolveViews(a, chip.Class, specs)
	if err != nil {
		return nil, err
	}
	var out []subject
	for i := range views {
		settings := settingsOf(a, chip.Class, specs, views, i)
		out = append(out, newSubject(a, c, views[i].Name, settings))
	}
	return out, nil
}

func newSubject(a *chipmodel.Array, c int, view string, settings *facetdv1.ViewSettings) subject {
	chip, w := &a.Chips[c], settings.GetWindow()
	sub := subject{
		key: key{chip.Name, settingsText(settings)}, chip: c, view: view, settings: settings,
		shape: correction.Shape{Rows: int(w.GetRows()), Columns: int(w.GetColumns())}, scale: scaleOf(a, chip),
	}
	if chip.Class.Hexagonal() && w.GetRowStep() == 1 && w.GetColumnStep() == 1 {
		sub.shape.Lattice = correction.HexagonalEven
		if w.GetRow()%2 == 1 {
			sub.shape.Lattice = correction.HexagonalOdd
		}
	}
	if l := chip.Class.Spec.GetLogarithmic(); l != nil {
		sub.perDecade = l.GetVoltsPerDecade() / sub.scale.VoltsPerCode
		if gains := chip.Class.Spec.GetAmplifier().GetGains(); len(gains) > 0 {
			sub.perDecade *= gains[settings.GetTrim().GetGainIndex()]
		}
	}
	return sub
}

// capture reads a unit once.
func (s *Service) capture(ctx context.Context, u unit, views []*facetdv1.View) (*facetdv1.FrameSet, error) {
	done, err := s.cfg.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: u.target, Views: views})
	if err != nil {
		return nil, err
	}
	if why := done.FrameSet.GetFailure(); why != "" {
		return nil, fmt.Errorf("reading %s failed: %s", strings.Join(u.chips, ", "), why)
	}
	return done.FrameSet, nil
}

// expire ends sessions that nothing is done with. The caller holds mu.
func (s *Service) expire() {
	now := s.cfg.Clock()
	for id, ses := range s.sessions {
		if !ses.busy && !now.Before(ses.expires) {
			delete(s.sessions, id)
			s.note(warning, nil, events.Fields{"session": events.Text(id)},
				"calibration %s expired: nothing was done with it for %v", id, SessionLimit)
		}
	}
}

// touch puts off the end of a session. The caller holds mu.
func (s *Service) touch(ses *session) { ses.expires = s.cfg.Clock().Add(SessionLimit) }

// open finds a session. The caller holds mu.
func (s *Service) open(id string) (*session, error) {
	s.expire()
	ses := s.sessions[id]
	if ses == nil {
		return nil, errNotOpen(id)
	}
	s.touch(ses)
	return ses, nil
}

// take finds a session and keeps others from its levels until give.
func (s *Service) take(id string) (*session, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	ses, err := s.open(id)
	if err != nil {
		return nil, err
	}
	if ses.busy {
		return nil, &failure.InProgress{Message: fmt.Sprintf("calibration %s is at work on another call; retry when "+
			"that finishes", id)}
	}
	ses.busy = true
	return ses, nil
}

func (s *Service) give(ses *session) {
	s.mu.Lock()
	defer s.mu.Unlock()
	ses.busy = false
	s.touch(ses)
}

func (s *Service) openIDs() []string {
	var ids []string
	for id := range s.sessions {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}

// GetCalibration returns a session.
func (s *Service) GetCalibration(_ context.Context,
	r *facetdv1.GetCalibrationRequest) (*facetdv1.GetCalibrationResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	ses, err := s.open(r.GetSession())
	if err != nil {
		return nil, err
	}
	return &facetdv1.GetCalibrationResponse{Session: s.sessionMessage(ses)}, nil
}

// ListCalibrations returns the open sessions.
func (s *Service) ListCalibrations(_ context.Context,
	r *facetdv1.ListCalibrationsRequest) (*facetdv1.ListCalibrationsResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.expire()
	out := &facetdv1.ListCalibrationsResponse{}
	for _, ses := range s.sessions {
		out.Sessions = append(out.Sessions, s.sessionMessage(ses))
	}
	slices.SortFunc(out.Sessions, func(a, b *facetdv1.CalibrationSession) int {
		return cmp.Or(a.GetCreateTime().AsTime().Compare(b.GetCreateTime().AsTime()),
			strings.Compare(a.GetId(), b.GetId()))
	})
	var wrong invalid.Errors
	out.Sessions, out.NextPageToken, wrong = pages.Of(r, out.Sessions, (*facetdv1.CalibrationSession).GetId)
	if len(wrong) > 0 {
		return nil, wrong
	}
	return out, nil
}

// AbortCalibration ends a session; a level that is being gathered ends with it.
func (s *Service) AbortCalibration(_ context.Context,
	r *facetdv1.AbortCalibrationRequest) (*facetdv1.AbortCalibrationResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, err := s.open(r.GetSession()); err != nil {
		return nil, err
	}
	delete(s.sessions, r.GetSession())
	return &facetdv1.AbortCalibrationResponse{}, nil
}

// sessionMessage is what is said of a session. The caller holds mu.
func (s *Service) sessionMessage(ses *session) *facetdv1.CalibrationSession {
	out := &facetdv1.CalibrationSession{
		Id: ses.id, Method: ses.method, Note: ses.note, Collecting: ses.busy,
		CreateTime: timestamppb.New(ses.created), ExpireTime: timestamppb.New(ses.expires),
	}
	for _, u := range ses.units {
		out.Chips = append(out.Chips, u.chips...)
	}
	for _, v := range ses.views {
		out.Views = append(out.Views, proto.CloneOf(v))
	}
	for _, l := range ses.levels {
		out.Levels = append(out.Levels, l.shown)
	}
	return out
}

// kelvinOf is the temperature of a die as far as it is known: measured, or simulated; 0 where it is not.
func (s *Service) kelvinOf(measured *float64, chip int) float64 {
	if measured != nil {
		return *measured
	}
	if k := s.cfg.Kelvin(chip); !math.IsNaN(k) {
		return max(k, 0)
	}
	return 0
}
