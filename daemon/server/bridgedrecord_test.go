package server

import (
	"testing"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bridge"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
	"facetd.example/deploy"
)

// TestARecordingThroughTheBridge: what is recorded of the demo on the firmware has the frames of every job, of which
// those that ran are whole, and is played as it was recorded.
func TestARecordingThroughTheBridge(t *testing.T) {
	t.Parallel()
	a, wrong := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	rig := bridgetest.Start(t, bridgetest.Config{Array: a, Scene: scene.Uniform(100)})
	for began := time.Now(); ; time.Sleep(time.Millisecond) { // until it listens
		d, err := bridge.Dial(t.Context(), rig.Address, false)
		if err == nil {
			d.Close()
			break
		}
		if time.Since(began) > time.Minute {
			t.Fatal(err)
		}
	}
	cfg := quick()
	cfg.Pace = config.Default().Pace
	cfg.Bus, cfg.Logger = config.BridgeTo+rig.Address, zap.NewNop() // a machine that stands still makes noise
	file, sets := recordedRunOf(t, cfg)
	pixels := 0
	for _, fs := range sets {
		for _, f := range fs.GetFrames() {
			if fs.GetFailure() == "" && len(f.GetData()) != int(2*f.GetRows()*f.GetColumns()) {
				t.Errorf("%s, job %d: a frame of %d x %d has %d bytes", fs.GetTask(), fs.GetJob(), f.GetRows(),
					f.GetColumns(), len(f.GetData()))
			}
			pixels += len(f.GetData()) / 2
		}
	}
	if pixels == 0 {
		t.Error("nothing was read")
	}
	p, conn, played := replaying(t, file, nil)
	control := facetdv1.NewReplayServiceClient(conn)
	if _, err := control.ResumeReplay(limited(t), &facetdv1.ResumeReplayRequest{}); err != nil {
		t.Fatal(err)
	}
	if got := played(len(sets)); digestOf(got) != digestOf(sets) {
		t.Errorf("%d frame sets are played otherwise than they were recorded", len(got))
	}
	if err := p.stop(); err != nil {
		t.Error(err)
	}
}
