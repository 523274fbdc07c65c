package server

import (
	"context"
	"errors"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/api/yamlfile"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
	"facetd.example/deploy"
)

// bench is a daemon whose array is on a bench: somebody sets the light.
type bench struct {
	conn  *grpc.ClientConn
	light func(description string)
}

// benches are two daemons with the same array, which really is as a ground truth says: one on the virtual bus, and one
// whose chips are behind the pins of a device.
func benches(t *testing.T, data []byte, truth *facetdv1.GroundTruth) (virtual, bridged *bench) {
	t.Helper()
	dir := t.TempDir()
	file, really := filepath.Join(dir, "array.yaml"), filepath.Join(dir, "truth.yaml")
	text, err := yamlfile.Marshal(truth)
	if err == nil {
		err = errors.Join(os.WriteFile(file, data, 0o600), os.WriteFile(really, text, 0o600))
	}
	if err != nil {
		t.Fatal(err)
	}
	a, wrong := arrayfile.ParseArray(file, data)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	set, wrong := groundtruth.Of(a, truth)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	cfg := Setup{Config: config.Default()}
	cfg.Array, cfg.Scene, cfg.Tasks, cfg.Seed = file, "uniform:100", config.None, 5
	cfg.Listen, cfg.Logger = config.Listen{GRPC: "127.0.0.1:0"}, zap.NewNop()
	free := cfg
	free.GroundTruth, free.Grain, free.Pace = really, 40, config.Free
	conn, stop := running(t, free)
	t.Cleanup(func() { ended(t, stop) })
	virtual = &bench{conn, func(description string) {
		if _, err := facetdv1.NewSceneServiceClient(conn).SetScene(limited(t),
			&facetdv1.SetSceneRequest{Scene: description}); err != nil {
			t.Error(err)
		}
	}}
	rig := bridgetest.Start(t, bridgetest.Config{Array: a, Scene: scene.Uniform(100), Seed: 5, GroundTruth: set,
		Latency: peertest.Cases(40*time.Millisecond, 0)}) // what is refused is handed over again
	cfg.Bus = config.BridgeTo + rig.Address
	through, end := serving(t, bridgedServer(t, cfg))
	t.Cleanup(func() { ended(t, end) })
	return virtual, &bench{through, func(description string) {
		s, err := scene.Parse(description, nil)
		if err != nil {
			t.Error(err)
			return
		}
		rig.Lamp.Set(s)
	}}
}

func ended(t *testing.T, stop func() error) {
	t.Helper()
	if err := stop(); err != nil {
		t.Error(err)
	}
}

// asked is what a bring-up asks for, by words of its question, and the light that is then set.
var asked = []struct{ words, light string }{
	{"flickers", "uniform:200 | flicker:mains=50,depth=0.5"},
	{"stripes", "grating:mean=200,contrast=0.95,cycles_per_pixel=0.1"},
	{"Cover the array", "uniform:0"},
	{"evenly", "uniform:200"},
	{"Measure every supply", ""},
}

// lit sets the light for a question.
func (b *bench) lit(t *testing.T, question string) {
	t.Helper()
	for _, a := range asked {
		if strings.Contains(question, a.words) {
			if a.light != "" {
				b.light(a.light)
			}
			return
		}
	}
	t.Errorf("nobody knows what to do: %s", question)
}

// bringUp runs steps of a bring-up, sets the light that it asks for, and returns what it found.
func (b *bench) bringUp(t *testing.T, steps ...facetdv1.BringupStep) *facetdv1.BringupRun {
	t.Helper()
	c := facetdv1.NewBringupServiceClient(b.conn)
	ctx, cancel := context.WithTimeout(t.Context(), peertest.Cases(time.Minute, 20*time.Minute))
	defer cancel()
	stream, err := c.StartBringup(ctx, &facetdv1.StartBringupRequest{Steps: steps})
	var id string
	for err == nil {
		var m *facetdv1.StartBringupResponse
		if m, err = stream.Recv(); err != nil {
			break
		}
		switch e := m.GetEvent().GetEvent().(type) {
		case *facetdv1.BringupEvent_Started:
			id = e.Started.GetId()
		case *facetdv1.BringupEvent_Question:
			b.lit(t, e.Question.GetText())
			_, err = c.AnswerBringup(ctx, &facetdv1.AnswerBringupRequest{Id: id, Question: e.Question.GetNumber(),
				Proceed: true, Note: "5 V, 1 A"})
		case *facetdv1.BringupEvent_Ended:
			return e.Ended
		}
	}
	t.Fatal(err)
	return nil
}

// TestBringUpThroughTheBridge: of an array that is not as described, behind the pins of a device, a bring-up finds what
// it finds of the same one on the virtual bus, step by step and chip by chip, and blames who is at fault.
func TestBringUpThroughTheBridge(t *testing.T) {
	t.Parallel()
	msg := bustest.Message()
	msg.Classes[1].Lattice.Rows, msg.Classes[1].Lattice.Columns = 8, 24 // room for stripes
	data, err := yamlfile.Marshal(msg)
	if err != nil {
		t.Fatal(err)
	}
	truth := &facetdv1.GroundTruth{Chips: []*facetdv1.ChipGroundTruth{{Chip: "c0", Slip: -1, SlipAt: 100},
		{Chip: "m0", OffsetVolts: 9}}}
	steps := []facetdv1.BringupStep{facetdv1.BringupStep_BRINGUP_STEP_LEVELS, facetdv1.BringupStep_BRINGUP_STEP_ORDER}
	blamed := map[facetdv1.BringupStep]string{steps[0]: "m0", steps[1]: "c0"}
	if peertest.All() {
		data, steps = deploy.CrawlerArray, nil
		truth.Chips = []*facetdv1.ChipGroundTruth{{Chip: "wall-04", SettleFactor: new(1.6)},
			{Chip: "wall-07", LeakFactor: new(5.0)}, {Chip: "bed-1", Slip: -1, SlipAt: 300}}
		blamed = map[facetdv1.BringupStep]string{facetdv1.BringupStep_BRINGUP_STEP_SETTLING: "wall-04",
			facetdv1.BringupStep_BRINGUP_STEP_HOLD:  "wall-07",
			facetdv1.BringupStep_BRINGUP_STEP_ORDER: "bed-1"}
	}
	virtual, bridged := benches(t, data, truth)
	want, got := virtual.bringUp(t, steps...), bridged.bringUp(t, steps...)
	if len(got.GetResults()) != len(want.GetResults()) || len(want.GetResults()) < len(steps) ||
		got.GetVerdict() != facetdv1.Verdict_VERDICT_FAIL {
		t.Fatalf("%v after %d steps, want %d", got.GetVerdict(), len(got.GetResults()), len(want.GetResults()))
	}
	for i, w := range want.GetResults() {
		g := got.GetResults()[i]
		t.Logf("%v: %v: %s", g.GetStep(), g.GetVerdict(), g.GetSummary())
		if g.GetStep() != w.GetStep() || g.GetVerdict() != w.GetVerdict() ||
			(g.GetVerdict() == facetdv1.Verdict_VERDICT_FAIL) != (blamed[g.GetStep()] != "") {
			t.Errorf("%v: %v: %s; on the virtual bus %v: %s", g.GetStep(), g.GetVerdict(), g.GetSummary(),
				w.GetVerdict(), w.GetSummary())
		}
		sameMeasured(t, g, w, blamed[g.GetStep()])
	}
}

// sameMeasured compares what a step measured, which is off by noise, and whom it blames.
func sameMeasured(t *testing.T, got, want *facetdv1.BringupResult, blamed string) {
	t.Helper()
	if len(got.GetMeasurements()) != len(want.GetMeasurements()) {
		t.Errorf("%v: %d measurements, want %d", got.GetStep(), len(got.GetMeasurements()), len(want.GetMeasurements()))
		return
	}
	for i, w := range want.GetMeasurements() {
		g := got.GetMeasurements()[i]
		if g.GetSubject() != w.GetSubject() || g.GetQuantity() != w.GetQuantity() || g.GetVerdict() != w.GetVerdict() ||
			math.Abs(g.GetValue()-w.GetValue()) > noiseOf(w) {
			t.Errorf("%v: got %v, on the virtual bus %v", got.GetStep(), g, w)
		}
		if g.GetVerdict() == facetdv1.Verdict_VERDICT_FAIL && g.GetSubject() != blamed {
			t.Errorf("%v blames %s: %v", got.GetStep(), g.GetSubject(), g)
		}
	}
}

// noiseOf is how far two measurements may be apart: a fifth of what was measured, or a quarter of what would be good.
func noiseOf(m *facetdv1.BringupMeasurement) float64 {
	off := 0.2*math.Abs(m.GetValue()) + 0.5
	if m.Low != nil && m.High != nil {
		off = max(off, (m.GetHigh()-m.GetLow())/4)
	}
	return off
}

// TestCalibrationThroughTheBridge: correction maps of chips behind the pins of a device are those of the same chips on
// the virtual bus, to the noise of their levels, and frames are corrected by them.
func TestCalibrationThroughTheBridge(t *testing.T) {
	t.Parallel()
	data, err := yamlfile.Marshal(bustest.Message())
	if err != nil {
		t.Fatal(err)
	}
	target := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "mems"}}
	if peertest.All() {
		data, target = deploy.CrawlerArray, &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "wall"}}
	}
	virtual, bridged := benches(t, data, &facetdv1.GroundTruth{})
	want, got := virtual.calibrated(t, target), bridged.calibrated(t, target)
	if len(got) != len(want) || len(want) == 0 {
		t.Fatalf("%d maps, want %d", len(got), len(want))
	}
	for name, w := range want {
		g := got[name]
		if g.GetMethod() != w.GetMethod() || g.GetClassDigest() != w.GetClassDigest() ||
			g.GetDefectivePixels() != w.GetDefectivePixels() {
			t.Errorf("%s: %v, want %v", name, g, w)
		}
		// The noise of so few frames is up to a tenth of the spread, and maps of other pixels are apart by all of it.
		if apart, spread := mapsApart(t, g.GetData(), w.GetData()); spread < 3 || apart > spread/5 {
			t.Errorf("%s: pixels of the maps are %.2f codes apart, and spread by %.2f", name, apart, spread)
		}
	}
}

// mapsApart is how far two maps of a log response are apart in the middle of their light, and how far its pixels are,
// in codes: root mean squares.
func mapsApart(t *testing.T, got, want *facetdv1.CorrectionMapData) (apart, spread float64) {
	t.Helper()
	n := len(want.GetOffset())
	if n == 0 || len(got.GetOffset()) != n || len(got.GetGain()) != n || len(want.GetGain()) != n {
		t.Fatalf("maps of %d and %d pixels", len(got.GetOffset()), n)
	}
	at := func(m *facetdv1.CorrectionMapData, i int) float64 {
		return float64(m.GetOffset()[i]) + float64(m.GetGain()[i])*math.Log(100)
	}
	mean := 0.0
	for i := range n {
		mean += at(want, i) / float64(n)
	}
	for i := range n {
		w := at(want, i)
		apart += (at(got, i) - w) * (at(got, i) - w) / float64(n)
		spread += (w - mean) * (w - mean) / float64(n)
	}
	return math.Sqrt(apart), math.Sqrt(spread)
}

// calibrated gathers levels and returns the correction maps by chip, with their numbers.
func (b *bench) calibrated(t *testing.T, target *facetdv1.Target) map[string]*facetdv1.CorrectionMap {
	t.Helper()
	c := facetdv1.NewCalibrationServiceClient(b.conn)
	ctx, cancel := context.WithTimeout(t.Context(), peertest.Cases(time.Minute, 20*time.Minute))
	defer cancel()
	ses, err := c.StartCalibration(ctx, &facetdv1.StartCalibrationRequest{Target: target})
	if err != nil {
		t.Fatal(err)
	}
	id := ses.GetSession().GetId()
	levels := map[float64]string{10: "uniform:10", 100: "uniform:100", 1000: "uniform:1000"}
	for _, lux := range slices.Sorted(maps.Keys(levels)) {
		b.light(levels[lux])
		stream, err := c.CollectLevel(ctx, &facetdv1.CollectLevelRequest{Session: id, Frames: 4,
			Light: &facetdv1.CollectLevelRequest_Lux{Lux: lux}})
		for err == nil {
			_, err = stream.Recv()
		}
		if !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
	}
	done, err := c.FinishCalibration(ctx, &facetdv1.FinishCalibrationRequest{Session: id})
	if err != nil || len(done.GetFailures()) > 0 {
		t.Fatalf("%v: %v", err, done.GetFailures())
	}
	out := map[string]*facetdv1.CorrectionMap{}
	for _, m := range done.GetCorrectionMaps() {
		whole, err := c.GetCorrectionMap(ctx, &facetdv1.GetCorrectionMapRequest{Id: m.GetId(), Data: true})
		if err != nil {
			t.Fatal(err)
		}
		out[m.GetChip()] = whole.GetCorrectionMap()
	}
	return out
}
