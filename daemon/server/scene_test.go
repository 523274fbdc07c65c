package server

import (
	"encoding/binary"
	"math"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

// meanCode captures one chip and returns the mean of its codes.
func meanCode(t *testing.T, frames facetdv1.FrameServiceClient, chip string) float64 {
	t.Helper()
	target := &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{chip}}}}
	r, err := frames.CaptureFrames(limited(t), &facetdv1.CaptureFramesRequest{Target: target})
	if err != nil {
		t.Fatal(err)
	}
	data := r.GetFrameSet().GetFrames()[0].GetData()
	sum := 0.0
	for i := 0; i < len(data); i += 2 {
		sum += float64(binary.LittleEndian.Uint16(data[i:]))
	}
	return sum / float64(len(data)/2)
}

// Light and temperature of a live virtual array change what its chips see, and come
// back; errors change nothing.
func TestSceneOfALiveArray(t *testing.T) {
	conn, stop := running(t, quick())
	scenes, frames := facetdv1.NewSceneServiceClient(conn), facetdv1.NewFrameServiceClient(conn)
	set := func(r *facetdv1.SetSceneRequest) *facetdv1.SetSceneResponse {
		t.Helper()
		got, err := scenes.SetScene(limited(t), r)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	kelvin := func(k float64) *float64 { return &k }
	before := meanCode(t, frames, "wall-00")
	got := set(&facetdv1.SetSceneRequest{Scene: "uniform:2"})
	if got.GetEnvironment().GetScene() != "uniform:2" || got.GetEffectiveBusNs() <= 0 {
		t.Errorf("set: %v", got)
	}
	dim := meanCode(t, frames, "wall-00")
	if before-dim < 50 && dim-before < 50 {
		t.Errorf("mean code %.1f at 200 lux, %.1f at 2 lux", before, dim)
	}
	set(&facetdv1.SetSceneRequest{TemperatureOffsetK: kelvin(40)})
	warm := meanCode(t, frames, "wall-00")
	if warm-dim < 2 && dim-warm < 2 {
		t.Errorf("mean code %.1f cold, %.1f warm", dim, warm)
	}
	for want, r := range map[string]*facetdv1.SetSceneRequest{
		"scene: ":           {Scene: "uniform:-1", TemperatureOffsetK: kelvin(0)},
		"configuration":     {Scene: "panorama:/etc/passwd"},
		"would have":        {Scene: "uniform:9", TemperatureOffsetK: kelvin(400)},
		"from 150 to 500 K": {TemperatureOffsetK: kelvin(-200)},
	} {
		if _, err := scenes.SetScene(limited(t), r); status.Code(err) != codes.InvalidArgument ||
			!strings.Contains(err.Error(), want) {
			t.Errorf("%v: %v", r, err)
		}
	}
	if now, err := scenes.GetScene(limited(t), &facetdv1.GetSceneRequest{}); err != nil ||
		now.GetEnvironment().GetScene() != "uniform:2" || now.GetEnvironment().GetTemperatureOffsetK() != 40 {
		t.Errorf("after the errors: %v, %v", now, err)
	}
	set(&facetdv1.SetSceneRequest{Scene: "uniform:200", TemperatureOffsetK: kelvin(0)})
	if after := meanCode(t, frames, "wall-00"); after-before > 1 || before-after > 1 {
		t.Errorf("mean code %.2f before, %.2f after it came back", before, after)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
}

// TestTruthOfALiveArray: an operator who sets all six degrees of freedom before an end wall is told how the body turns
// and moves, how far away what the chips look at is, and when they meet it.
func TestTruthOfALiveArray(t *testing.T) {
	conn, stop := running(t, quick())
	defer stop()
	scenes := facetdv1.NewSceneServiceClient(conn)
	if _, err := scenes.SetScene(limited(t), &facetdv1.SetSceneRequest{Scene: "demo:end=3"}); err != nil {
		t.Fatal(err)
	}
	if _, err := scenes.SetPose(limited(t), &facetdv1.SetPoseRequest{Pose: &facetdv1.Pose{ForwardM: 1, LeftM: 0.1,
		UpM: -0.05, RollDeg: 90}, Velocity: &facetdv1.Velocity{YawDegPerS: 10, PitchDegPerS: 0}}); err != nil {
		t.Fatal(err)
	}
	got, err := scenes.GetScene(limited(t), &facetdv1.GetSceneRequest{})
	if err != nil {
		t.Fatal(err)
	}
	truth := got.GetEnvironment().GetTruth()
	// Rolled over by a quarter (the left side up), a yaw to the left is a turn about the body's own left axis.
	if w := truth.GetRateRadPerS(); len(w) != 3 || math.Abs(w[1]-10*math.Pi/180) > 1e-6 || math.Abs(w[2]) > 1e-6 {
		t.Errorf("rates %v", truth)
	}
	if _, err := scenes.SetPose(limited(t), &facetdv1.SetPoseRequest{Pose: &facetdv1.Pose{ForwardM: 1},
		Velocity: &facetdv1.Velocity{ForwardMPerS: 1e-9}}); err != nil {
		t.Fatal(err)
	}
	if got, err = scenes.GetScene(limited(t), &facetdv1.GetSceneRequest{}); err != nil {
		t.Fatal(err)
	}
	for _, c := range got.GetEnvironment().GetTruth().GetChips() {
		want := map[string]float64{"wall-00": 0.3 / math.Cos(0),
			"bow-left": 0.3 / math.Sin(11*math.Pi/180)}[c.GetChip()]
		if c.GetChip() == "bow-comb" {
			want = 2 / math.Cos(4*math.Pi/180)
		}
		if want > 0 && math.Abs(c.GetDistanceM()/want-1) > 1e-4 {
			t.Errorf("%v, want %v m", c, want)
		}
		if math.Abs(c.GetContactS()/2e9-1) > 1e-4 {
			t.Errorf("%v, want contact after two billion seconds", c)
		}
	}
	if len(got.GetEnvironment().GetTruth().GetChips()) != 19 {
		t.Error("not of every chip")
	}
}
