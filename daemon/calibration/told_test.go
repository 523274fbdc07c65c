package calibration

import (
	"context"
	"testing"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/exclusive"
)

// atOnce is the stream of a caller who acts on a message before the service goes on.
type atOnce struct {
	grpc.ServerStream
	ctx  context.Context
	read func(*facetdv1.CollectLevelResponse)
}

func (s atOnce) Context() context.Context { return s.ctx }

func (s atOnce) Send(m *facetdv1.CollectLevelResponse) error {
	s.read(m)
	return nil
}

// TestALevelThatIsDoneHoldsNothing: whoever is told that a level is done may measure
// something else and finish the calibration in the same instant.
func TestALevelThatIsDoneHoldsNothing(t *testing.T) {
	b := newBench(t)
	var array exclusive.Array
	b.cfg.ClaimShared = array.ClaimShared
	id, told := b.start(t, "h0"), false
	request := &facetdv1.CollectLevelRequest{Session: id, Light: &facetdv1.CollectLevelRequest_Lux{Lux: 10}, Frames: 4}
	err := b.CollectLevel(request, atOnce{ctx: t.Context(), read: func(m *facetdv1.CollectLevelResponse) {
		if m.GetState() != facetdv1.IlluminationState_ILLUMINATION_STATE_DONE {
			return
		}
		told = true
		release, err := array.Claim("a probe")
		if err != nil {
			t.Errorf("the array is not free: %v", err)
		} else {
			release()
		}
		session, err := b.GetCalibration(t.Context(), &facetdv1.GetCalibrationRequest{Session: id})
		if err != nil || session.GetSession().GetCollecting() || len(session.GetSession().GetLevels()) != 1 {
			t.Errorf("%v, %v", session, err)
		}
		if _, err := b.FinishCalibration(t.Context(), &facetdv1.FinishCalibrationRequest{Session: id}); err != nil {
			t.Errorf("finishing: %v", err)
		}
	}})
	if err != nil || !told {
		t.Errorf("told %v, %v", told, err)
	}
}
