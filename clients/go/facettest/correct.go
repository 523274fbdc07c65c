package facettest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// levels are the illuminations in lux under which correction maps are made, which logarithmic pixels need three of, and
// frames how many are averaged at each.
var levels = []float64{3, 30, 300}

const frames = 8

// correct makes the correction maps of tasks by an array of its own, with the same chips, which are those of the seed.
func correct(t testing.TB, cfg Config) {
	t.Helper()
	tasks := cfg.Correct
	cfg.Correct, cfg.Listen = nil, ""
	a, end := run(t, cfg)
	defer end()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	for _, task := range tasks {
		if err := a.correctTask(ctx, task); err != nil {
			t.Fatalf("facettest: correction maps of task %s: %v", task, err)
		}
	}
}

func (a *Array) correctTask(ctx context.Context, task string) error {
	calibration := facetdv1.NewCalibrationServiceClient(a.Client.Conn())
	scenes := facetdv1.NewSceneServiceClient(a.Client.Conn())
	started, err := calibration.StartCalibration(ctx, &facetdv1.StartCalibrationRequest{Task: task})
	if err != nil {
		return err
	}
	session := started.GetSession().GetId()
	for _, lux := range levels {
		scene := fmt.Sprintf("uniform:%g", lux)
		if _, err := scenes.SetScene(ctx, &facetdv1.SetSceneRequest{Scene: scene}); err != nil {
			return err
		}
		stream, err := calibration.CollectLevel(ctx, &facetdv1.CollectLevelRequest{Session: session, Frames: frames,
			Light: &facetdv1.CollectLevelRequest_Lux{Lux: lux}})
		for err == nil {
			_, err = stream.Recv()
		}
		if !errors.Is(err, io.EOF) {
			return err
		}
	}
	_, err = calibration.FinishCalibration(ctx, &facetdv1.FinishCalibrationRequest{Session: session})
	return err
}
