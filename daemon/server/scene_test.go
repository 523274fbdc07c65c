package server

import (
	"encoding/binary"
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
