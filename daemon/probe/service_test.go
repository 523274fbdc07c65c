package probe

import (
	"context"
	"errors"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/exclusive"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/probe/diagnosis"
)

// TestFaultsNeedAVirtualBus: on any other bus every method refuses.
func TestFaultsNeedAVirtualBus(t *testing.T) {
	s := New(Config{})
	_, set := s.SetFaults(context.Background(), &facetdv1.SetFaultsRequest{})
	_, list := s.ListFaults(context.Background(), &facetdv1.ListFaultsRequest{})
	_, cleared := s.ClearFaults(context.Background(), &facetdv1.ClearFaultsRequest{})
	for _, err := range []error{set, list, cleared} {
		var p *failure.Precondition
		if !errors.As(err, &p) || p.Kind != failure.NotVirtual {
			t.Errorf("%v, want a failed precondition", err)
		}
	}
}

// TestOneProbeAtATime: a second probe is refused while one runs.
func TestOneProbeAtATime(t *testing.T) {
	var array exclusive.Array
	s := New(Config{Claim: array.Claim})
	release, err := array.Claim("another probe")
	if err != nil {
		t.Fatal(err)
	}
	defer release()
	var taken *failure.InProgress
	if err := s.ProbeSelects(&facetdv1.ProbeSelectsRequest{}, nil); !errors.As(err, &taken) ||
		!strings.HasPrefix(taken.Message, "another probe is in progress") {
		t.Errorf("%v, want it taken by another probe", err)
	}
}

func TestEveryLevelHasAMessage(t *testing.T) {
	seen := map[facetdv1.LaneLevel]bool{}
	for _, l := range []diagnosis.Level{diagnosis.Idle, diagnosis.Driven, diagnosis.Saturated, diagnosis.Unclear} {
		seen[l.Message()] = true
	}
	if len(seen) != 4 || seen[facetdv1.LaneLevel_LANE_LEVEL_UNSPECIFIED] {
		t.Errorf("levels become %v", seen)
	}
}
