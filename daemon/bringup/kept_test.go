package bringup

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

// TestRunOfAnotherShape: a run whose file was changed so that its chips are not those of
// the array is refused, with the run left as it was.
func TestRunOfAnotherShape(t *testing.T) {
	data := t.TempDir()
	first := newRig(t, nil, 1, data)
	s := &stream{ctx: t.Context()}
	if err := first.service.StartBringup(&facetdv1.StartBringupRequest{Steps: []facetdv1.BringupStep{dark},
		Unattended: true, VirtualLight: true}, startStream{s}); err != nil {
		t.Fatal(err)
	}
	good := s.events[len(s.events)-1].GetEnded()
	for name, spoil := range map[string]func(*facetdv1.BringupRun){
		"none":      func(r *facetdv1.BringupRun) { r.Chips = nil },
		"one fewer": func(r *facetdv1.BringupRun) { r.Chips = r.Chips[1:] },
		"one more":  func(r *facetdv1.BringupRun) { r.Chips = append(r.Chips, &facetdv1.BringupChip{Chip: "x"}) },
		"renamed":   func(r *facetdv1.BringupRun) { r.Chips[0].Chip = "x" },
	} {
		run := proto.CloneOf(good)
		run.Results, run.Finished = nil, false
		spoil(run)
		if err := first.service.keep(run); err != nil {
			t.Fatal(err)
		}
		again := newRig(t, nil, 2, data)
		s := &stream{ctx: t.Context()}
		err := again.service.ResumeBringup(&facetdv1.ResumeBringupRequest{Id: run.GetId(), Unattended: true},
			resumeStream{s})
		if !errors.As(err, new(*failure.Precondition)) || len(s.events) != 0 {
			t.Errorf("%s: %v, %d events", name, err, len(s.events))
		}
		if kept, err := again.service.get(run.GetId()); err != nil || !proto.Equal(kept, run) {
			t.Errorf("%s: the run was changed: %v", name, err)
		}
	}
}

// TestNewestRunsAreRead: of a folder with more runs than are kept the newest are.
func TestNewestRunsAreRead(t *testing.T) {
	data := t.TempDir()
	r := newRig(t, nil, 1, data)
	for n := range keptRuns + 3 {
		if err := r.service.keep(&facetdv1.BringupRun{Id: fmt.Sprintf("20260102-%06d", n)}); err != nil {
			t.Fatal(err)
		}
	}
	got := newRig(t, nil, 1, data).service.ids()
	if len(got) != keptRuns || got[0] != "20260102-000066" || got[len(got)-1] != "20260102-000003" {
		t.Errorf("%d runs, from %s to %s", len(got), got[0], got[len(got)-1])
	}
}

// pictured is light that can be looked at and cannot be set again, as that of a picture
// that the daemon's configuration names.
type pictured struct{ Light }

func (pictured) GetScene(context.Context, *facetdv1.GetSceneRequest) (*facetdv1.GetSceneResponse, error) {
	return &facetdv1.GetSceneResponse{Environment: &facetdv1.Environment{Scene: "picture"}}, nil
}

func (p pictured) SetScene(ctx context.Context, r *facetdv1.SetSceneRequest) (*facetdv1.SetSceneResponse, error) {
	if r.GetScene() == "picture" {
		return nil, errors.New("pictures are not taken from clients")
	}
	return p.Light.SetScene(ctx, r)
}

// TestLightThatCannotReturn: no run takes away a light that it could not put back.
func TestLightThatCannotReturn(t *testing.T) {
	r := newRig(t, nil, 1, "")
	own := r.service.cfg.Light
	r.service.cfg.Light = pictured{own}
	s := &stream{ctx: t.Context()}
	err := r.service.StartBringup(&facetdv1.StartBringupRequest{Unattended: true, VirtualLight: true}, startStream{s})
	if !errors.As(err, new(*failure.Precondition)) || !strings.Contains(err.Error(), "picture") || len(s.events) != 0 {
		t.Errorf("%v, %d events", err, len(s.events))
	}
	if now, err := own.GetScene(t.Context(), nil); err != nil || now.GetEnvironment().GetScene() != "uniform:50" {
		t.Errorf("the light is %v, %v", now, err)
	}
	if len(r.service.ids()) != 0 {
		t.Error("a run that did not begin was kept")
	}
}

// meddled is light that somebody else sets once, after the run has set it.
type meddled struct {
	Light
	by   *facetdv1.SetSceneRequest
	done bool
}

func (m *meddled) SetScene(ctx context.Context, r *facetdv1.SetSceneRequest) (*facetdv1.SetSceneResponse, error) {
	got, err := m.Light.SetScene(ctx, r)
	if err == nil && r.GetScene() == "uniform:200" && !m.done {
		m.done = true
		_, err = m.Light.SetScene(ctx, m.by)
	}
	return got, err
}

// TestLightSetBySomebodyElse: a step that was measured under light or at a temperature
// that somebody else set has no verdict, no numbers and no proposals; what comes after
// sets its own.
func TestLightSetBySomebodyElse(t *testing.T) {
	kelvin := 20.0
	for name, by := range map[string]*facetdv1.SetSceneRequest{"light": {Scene: "uniform:0.5"},
		"temperature": {TemperatureOffsetK: &kelvin}} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, nil, 1, "")
			light := &meddled{Light: r.service.cfg.Light, by: by}
			r.service.cfg.Light = light
			run := r.all(t, facetdv1.BringupStep_BRINGUP_STEP_DARK, facetdv1.BringupStep_BRINGUP_STEP_FLAT,
				facetdv1.BringupStep_BRINGUP_STEP_ORDER)
			if !light.done {
				t.Fatal("nobody meddled")
			}
			dark, lit, order := run.GetResults()[0], run.GetResults()[1], run.GetResults()[2]
			if dark.GetVerdict() != pass || order.GetVerdict() != pass {
				t.Errorf("the steps before and after: %v, %v (%s)", dark.GetVerdict(), order.GetVerdict(),
					order.GetSummary())
			}
			if lit.GetVerdict() != skipped || !strings.Contains(lit.GetSummary(), "somebody else") ||
				len(lit.GetMeasurements())+len(lit.GetProposals())+len(lit.GetPictures()) != 0 {
				t.Errorf("the step meddled with: %v", lit)
			}
		})
	}
}
