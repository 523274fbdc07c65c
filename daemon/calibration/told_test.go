package calibration

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/dispatch"
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

// TestProgressOfALevel: it is told at most ten times a second, first of settling and then with the frames that are
// done.
func TestProgressOfALevel(t *testing.T) {
	b := newBench(t)
	id := b.start(t, "h0")
	synctest.Test(t, func(t *testing.T) {
		capture := b.cfg.Capture
		b.cfg.Capture = func(ctx context.Context, r *facetdv1.CaptureFramesRequest) (dispatch.Done, error) {
			time.Sleep(60 * time.Millisecond)
			return capture(ctx, r)
		}
		var collecting []uint32
		var last time.Time
		request := &facetdv1.CollectLevelRequest{Session: id, Light: &facetdv1.CollectLevelRequest_Lux{Lux: 10},
			Frames: 7}
		err := b.CollectLevel(request, atOnce{ctx: t.Context(), read: func(m *facetdv1.CollectLevelResponse) {
			if m.GetState() == facetdv1.IlluminationState_ILLUMINATION_STATE_DONE {
				return
			}
			if now := time.Now(); now.Sub(last) < 100*time.Millisecond {
				t.Errorf("told again after %v", now.Sub(last))
			} else {
				last = now
			}
			switch m.GetState() {
			case facetdv1.IlluminationState_ILLUMINATION_STATE_COLLECTING:
				collecting = append(collecting, m.GetFramesDone())
			default:
				if m.GetFramesDone() != 0 || len(collecting) > 0 {
					t.Errorf("%v after %v", m, collecting)
				}
			}
			if m.GetFramesTotal() != 7 || m.GetChip() != "h0" {
				t.Errorf("told %v", m)
			}
		}})
		if err != nil {
			t.Fatal(err)
		}
		// Every other round of 60 ms is told of.
		if !slices.Equal(collecting, []uint32{1, 3, 5, 7}) && !slices.Equal(collecting, []uint32{2, 4, 6}) {
			t.Errorf("told of %v frames", collecting)
		}
	})
}
