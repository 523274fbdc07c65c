package server

import (
	"context"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/config"
)

// Two that would measure each other are not let in together: while a bring-up waits for its
// operator, probe and calibration are refused by name, and may come when it has ended.
func TestOneMeasurementAtATime(t *testing.T) {
	t.Parallel()
	c := quick()
	c.Tasks = config.None
	conn, stop := running(t, c)
	probes, cal := facetdv1.NewProbeServiceClient(conn), facetdv1.NewCalibrationServiceClient(conn)
	ctx := limited(t)
	ses, err := cal.StartCalibration(ctx, &facetdv1.StartCalibrationRequest{
		Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bed"}},
		Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET,
	})
	if err != nil {
		t.Fatal(err)
	}
	level := func() error {
		s, err := cal.CollectLevel(ctx, &facetdv1.CollectLevelRequest{Session: ses.GetSession().GetId(),
			Light: &facetdv1.CollectLevelRequest_Lux{Lux: 200}, Frames: 4})
		for err == nil {
			if _, err = s.Recv(); err != nil && err.Error() == "EOF" {
				return nil
			}
		}
		return err
	}
	probe := func() error {
		s, err := probes.ProbeSelects(ctx, &facetdv1.ProbeSelectsRequest{MaxReadouts: 1})
		for err == nil {
			if _, err = s.Recv(); err != nil && err.Error() == "EOF" {
				return nil
			}
		}
		return err
	}
	left, leave := context.WithCancel(ctx)
	run, err := facetdv1.NewBringupServiceClient(conn).StartBringup(left,
		&facetdv1.StartBringupRequest{Steps: []facetdv1.BringupStep{facetdv1.BringupStep_BRINGUP_STEP_SUPPLIES}})
	if err != nil {
		t.Fatal(err)
	}
	question := func() {
		for {
			e, err := run.Recv()
			if err != nil {
				t.Fatal(err)
			}
			if e.GetEvent().GetQuestion() != nil {
				return
			}
		}
	}
	question()
	for name, err := range map[string]error{"probe": probe(), "level": level()} {
		if status.Code(err) != codes.Aborted || !strings.Contains(err.Error(), "a bring-up is in progress") {
			t.Errorf("%s beside a bring-up: %v", name, err)
		}
	}
	leave()
	eventually(t, "the probe is let in", func() bool { return probe() == nil })
	eventually(t, "the level is let in", func() bool { return level() == nil })
	if err := stop(); err != nil {
		t.Error(err)
	}
}
