package dispatch

import (
	"math"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"facetd.example/bus"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/demo"
)

// demoLight is the light of the demo, painted once: that takes longer than a second of the bus.
var demoLight = sync.OnceValues(func() (scene.Scene, error) {
	return scene.Panorama(scene.DemoPanorama(), scene.PanoramaOptions{LuxLow: 1, LuxHigh: 800})
})

func demoRig(t testing.TB, seed uint64, stopAt time.Duration) *rig {
	t.Helper()
	light, err := demoLight()
	if err != nil {
		t.Fatal(err)
	}
	return demoRigUnder(t, light, seed, stopAt)
}

// demoRigUnder is the demo in another light, with its configuration changed.
func demoRigUnder(t testing.TB, light scene.Scene, seed uint64, stopAt time.Duration, change ...func(*Config)) *rig {
	t.Helper()
	a, err := demo.Array()
	if err != nil {
		t.Fatal(err)
	}
	tasks, err := demo.Tasks()
	if err != nil {
		t.Fatal(err)
	}
	b, err := virtual.New(virtual.Config{Array: a, Scene: light, Pace: free, Seed: seed})
	if err != nil {
		t.Fatal(err)
	}
	w := &watcher{}
	cfg := Config{Array: a, Bus: b, Observer: w, Logger: zap.NewNop(), Inspector: b.Inspector(), Tasks: tasks,
		StopAt: bus.Time(stopAt)}
	for _, c := range change {
		c(&cfg)
	}
	d, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return &rig{d, b, w}
}

// TestDemoTenSeconds: ten seconds of bus time of the demo: rates as planned, no
// miss, no rule violated, measured utilization as planned, what was predicted is what
// happened.
func TestDemoTenSeconds(t *testing.T) {
	t.Parallel()
	r := demoRig(t, 1, 10*time.Second)
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	snap := r.Snapshot()
	for i, task := range snap.Tasks {
		s, p := task.GetStatus(), snap.Plan.GetPredictions()[i]
		name := task.GetTask().GetName()
		if s.GetJobsLate()+s.GetJobsFailed() > 0 {
			t.Errorf("%s: %d late, %d failed", name, s.GetJobsLate(), s.GetJobsFailed())
		}
		if math.Abs(s.GetAchievedRateHz()/s.GetPlannedRateHz()-1) > 0.01 {
			t.Errorf("%s: achieved %v Hz, planned %v Hz", name, s.GetAchievedRateHz(), s.GetPlannedRateHz())
		}
		if s.GetWorstResponseNs() != p.GetWorstResponseNs() {
			t.Errorf("%s: worst response %v, predicted %v", name, time.Duration(s.GetWorstResponseNs()),
				time.Duration(p.GetWorstResponseNs()))
		}
		var hold, skew int64
		for _, fs := range r.watch.of(name) {
			skew = max(skew, fs.GetSkewNs())
			for _, f := range fs.GetFrames() {
				hold = max(hold, f.GetHoldNs())
			}
		}
		if hold != p.GetWorstHoldNs() || skew != p.GetSkewNs() {
			t.Errorf("%s: hold %v skew %v, predicted %v and %v", name, time.Duration(hold), time.Duration(skew),
				time.Duration(p.GetWorstHoldNs()), time.Duration(p.GetSkewNs()))
		}
	}
	measured := float64(snap.Busy.Total()) / float64(snap.Measured)
	if math.Abs(measured/snap.PlannedUtil-1) > 0.02 {
		t.Errorf("measured utilization %v, planned %v", measured, snap.PlannedUtil)
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
	t.Logf("utilization %.3f", measured)
}
