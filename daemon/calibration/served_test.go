package calibration_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/api/framedigest"
	"facetd.example/api/peertest"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
	"facetd.example/deploy"
)

// daemon is a real server on the virtual bus, as fast as it goes.
type daemon struct {
	t      *testing.T
	server *server.Server
	cal    facetdv1.CalibrationServiceClient
	frames facetdv1.FrameServiceClient
	conn   *grpc.ClientConn
	scene  facetdv1.SceneServiceClient
	events facetdv1.EventServiceClient
	stop   func() // asks the daemon to stop
	wait   func() // waits for its end
}

func start(t *testing.T, change func(*server.Setup)) *daemon {
	t.Helper()
	c := server.Setup{Config: config.Default()}
	c.Scene, c.Pace, c.Version, c.Logger = "uniform:200", config.Free, "1.2.3", zap.NewNop()
	c.Listen = config.Listen{GRPC: "127.0.0.1:0"}
	if change != nil {
		change(&c)
	}
	s, err := server.New(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	conn, err := grpc.NewClient(s.Addresses().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.WaitForReady(true)))
	if err != nil {
		t.Fatal(err)
	}
	stopped := false
	d := &daemon{
		t: t, server: s, conn: conn, cal: facetdv1.NewCalibrationServiceClient(conn),
		frames: facetdv1.NewFrameServiceClient(conn),
		scene:  facetdv1.NewSceneServiceClient(conn), events: facetdv1.NewEventServiceClient(conn),
	}
	d.wait = func() {
		if stopped {
			return
		}
		stopped = true
		if err := <-done; err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
		conn.Close()
		cancel()
	}
	d.stop = func() {
		cancel()
		d.wait()
	}
	t.Cleanup(d.stop)
	return d
}

func limited(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func must[T any](t *testing.T) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func list(names ...string) *facetdv1.Target {
	return &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: names}}}
}

// light sets the scene.
func (d *daemon) light(lux float64) {
	d.t.Helper()
	must[*facetdv1.SetSceneResponse](d.t)(d.scene.SetScene(limited(d.t),
		&facetdv1.SetSceneRequest{Scene: fmt.Sprintf("uniform:%g", lux)}))
}

// collect sets the light and gathers a level.
func (d *daemon) collect(session string, lux float64, frames uint32) *facetdv1.CollectedLevel {
	d.t.Helper()
	d.light(lux)
	return d.gather(session, lux, frames)
}

func (d *daemon) gather(session string, lux float64, frames uint32) *facetdv1.CollectedLevel {
	d.t.Helper()
	r := &facetdv1.CollectLevelRequest{Session: session, Light: &facetdv1.CollectLevelRequest_Lux{Lux: lux},
		Frames: frames}
	if lux == 0 {
		r.Light = &facetdv1.CollectLevelRequest_Dark{Dark: &facetdv1.Darkness{}}
	}
	stream, err := d.cal.CollectLevel(limited(d.t), r)
	if err != nil {
		d.t.Fatal(err)
	}
	var level *facetdv1.CollectedLevel
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			d.t.Fatal(err)
		}
		if m.GetState() == facetdv1.IlluminationState_ILLUMINATION_STATE_DONE {
			level = m.GetLevel()
		}
	}
	if level == nil {
		d.t.Fatal("the stream ended without a level")
	}
	return level
}

// calibrate does it all.
func (d *daemon) calibrate(r *facetdv1.StartCalibrationRequest, frames uint32,
	levels ...float64) *facetdv1.FinishCalibrationResponse {
	d.t.Helper()
	started := must[*facetdv1.StartCalibrationResponse](d.t)(d.cal.StartCalibration(limited(d.t), r))
	id := started.GetSession().GetId()
	for _, lux := range levels {
		d.collect(id, lux, frames)
	}
	return must[*facetdv1.FinishCalibrationResponse](d.t)(d.cal.FinishCalibration(limited(d.t),
		&facetdv1.FinishCalibrationRequest{Session: id}))
}

// pattern captures a target n times and returns, of each chip, the fixed pattern in codes
// (standard deviation of the pixels' means), the temporal noise of one frame, and the first
// frame.
func (d *daemon) pattern(target *facetdv1.Target, views []*facetdv1.View, codes facetdv1.Codes,
	n int) map[string]*seen {
	d.t.Helper()
	ctx := limited(d.t)
	sets := make(chan *facetdv1.FrameSet, n)
	// Several wait for gaps at a time: a bus that is as fast as it goes has run much else
	// before an answer has come and the next is asked for.
	var left atomic.Int64
	left.Store(int64(n))
	var failed atomic.Bool
	var askers sync.WaitGroup
	for range 8 {
		askers.Go(func() {
			for left.Add(-1) >= 0 {
				r, err := d.frames.CaptureFrames(ctx,
					&facetdv1.CaptureFramesRequest{Target: target, Views: views, Codes: codes})
				if err != nil {
					d.t.Error(err)
					failed.Store(true)
					return
				}
				sets <- r.GetFrameSet()
			}
		})
	}
	askers.Wait()
	close(sets)
	if failed.Load() {
		d.t.FailNow()
	}
	out := map[string]*seen{}
	for set := range sets {
		for _, f := range set.GetFrames() {
			s := out[f.GetChip()]
			if s == nil {
				s = &seen{frame: f, sum: make([]float64, len(f.GetData())/2),
					squares: make([]float64, len(f.GetData())/2)}
				out[f.GetChip()] = s
			}
			s.add(f)
		}
	}
	return out
}

type seen struct {
	frame        *facetdv1.Frame
	n            float64
	sum, squares []float64
}

func (s *seen) add(f *facetdv1.Frame) {
	s.n++
	for i := range s.sum {
		v := float64(binary.LittleEndian.Uint16(f.GetData()[2*i:]))
		s.sum[i] += v
		s.squares[i] += v * v
	}
}

// numbers are the mean, the standard deviation of the pixels' means, and the temporal noise
// of one frame, in codes.
func (s *seen) numbers() (mean, pattern, noise float64) {
	var sum, squares, temporal float64
	for i, v := range s.sum {
		m := v / s.n
		sum += m
		squares += m * m
		temporal += (s.squares[i]/s.n - m*m) * s.n / (s.n - 1)
	}
	k := float64(len(s.sum))
	mean = sum / k
	return mean, math.Sqrt(max(squares/k-mean*mean, 0)), math.Sqrt(temporal / k)
}

// settle reads a target a few times, so that pixels have seen the light for a while.
func (d *daemon) settle(target *facetdv1.Target) {
	d.t.Helper()
	d.pattern(target, nil, facetdv1.Codes_CODES_RAW, 40)
}

// The demo's classes, by their array file: what correction maps must find.
var demoChips = []struct {
	chip                          string
	perDecade, gainSpread, kelvin float64
}{
	{"wall-00", 0.22, 0.01, 303},  // memory
	{"bed-0", 0.2, 0.012, 300},    // counter
	{"bow-left", 0.21, 0.01, 298}, // pixel switches
	{"bow-comb", 0.21, 0.01, 298}, // hexagonal
}

const demoVoltsPerCode = 1.6 / 4096

// alike is by how much more the mean of frames of the demo varies than that of independent ones: a pixel's own noise
// lasts for its time constant, 17 ms at a lux, and frames are taken at least 10 ms apart: (1 + r)/(1 - r) with the
// correlation r from one to the next, an upper bound that takes all noise for the pixels' own.
func alike(lux float64) float64 {
	r := math.Exp(-0.010 / (0.0173 / lux))
	return (1 + r) / (1 - r)
}

// TestMapsOfTheDemo calibrates a chip of each kind with each method beside the running
// tasks, and measures what is left in frames of other light: against the temporal noise,
// and against what the spreads of the array file make an offset correction map leave.
func TestMapsOfTheDemo(t *testing.T) {
	// Beside tasks frames are some 10 ms apart; closer ones have most of their noise in common in little light.
	d := start(t, nil)
	var names []string
	for _, c := range demoChips {
		names = append(names, c.chip)
	}
	averaged, looked := 32, peertest.Cases(16, 64)
	for _, run := range []struct {
		method facetdv1.CalibrationMethod
		levels []float64
		fresh  []float64 // light of the independent frames
		offset float64   // the light of an offset correction map, at which it is exact
	}{
		{facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET, []float64{100}, []float64{100, 500}, 100},
		{facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET_GAIN, []float64{20, 500}, []float64{100}, 0},
		{facetdv1.CalibrationMethod_CALIBRATION_METHOD_LOG_RESPONSE, []float64{0, 0.1, 1, 10, 100, 1000},
			[]float64{0.5, 50, 500}, 0},
	} {
		fin := d.calibrate(&facetdv1.StartCalibrationRequest{Target: list(names...), Method: run.method, Note: "test"},
			uint32(averaged), run.levels...)
		if len(fin.GetCorrectionMaps()) != len(demoChips) || len(fin.GetFailures()) != 0 {
			t.Fatalf("%v: %d correction maps, failures %v", run.method, len(fin.GetCorrectionMaps()), fin.GetFailures())
		}
		for _, lux := range run.fresh {
			d.light(lux)
			d.settle(list(names[0])) // and meanwhile all others, however long ago they were read
			for i, c := range demoChips {
				_, before, noise := d.pattern(list(c.chip), nil, facetdv1.Codes_CODES_RAW, looked)[c.chip].numbers()
				corrected := d.pattern(list(c.chip), nil, facetdv1.Codes_CODES_CORRECTED, looked)[c.chip]
				_, after, _ := corrected.numbers()
				// Noise of the correction map and of these frames, rounding to whole codes, and the
				// steps of the converter, which differ by a fifth of a code.
				want := math.Sqrt(noise*noise*alike(lux)*(1/float64(averaged)+1/float64(looked)) +
					1.0/12/float64(looked) + 0.2*0.2)
				if run.offset > 0 {
					slope := c.perDecade / demoVoltsPerCode * c.kelvin / 300 * math.Log10(lux/run.offset)
					want = math.Hypot(want, c.gainSpread*slope)
				}
				t.Logf("%v, %s at %g lux: pattern %.2f codes before, %.2f after, %.2f expected; noise %.2f", run.method,
					c.chip, lux, before, after, want, noise)
				if after > 1.15*want || before < 12 {
					t.Errorf("%v, %s at %g lux: pattern %.2f codes before, %.2f after, want %.2f", run.method, c.chip,
						lux, before, after, want)
				}
				f := corrected.frame
				rest := math.Sqrt((noise*noise*alike(lux)+1.0/12)/float64(looked) + 0.2*0.2)
				if told := math.Hypot(f.GetFixedPatternCodes(), rest); told < 0.6*after || told > 1.6*after {
					t.Errorf("%v, %s at %g lux: the frame says that %.2f codes of the pattern are left, it is %.2f",
						run.method, c.chip, lux, f.GetFixedPatternCodes(), after)
				}
				made := fin.GetCorrectionMaps()[i]
				// A good pixel is taken for defective once in 100,000, so that two in a map are possible.
				corrections := 1 + min(int(made.GetDefectivePixels()), 1)
				if f.GetCorrectionMapId() != made.GetId() ||
					f.GetCorrectionMapDigest() != made.GetChecksumSha256() || f.GetCorrectionNote() != "" ||
					len(f.GetCorrections()) != corrections || made.GetDefectivePixels() > 2 ||
					f.GetSignificantBits() != 12 {
					t.Errorf("the frame says %q, %q, %v, the map has %d defects", f.GetCorrectionMapId(),
						f.GetCorrectionNote(), f.GetCorrections(), made.GetDefectivePixels())
				}
			}
		}
		if run.method == facetdv1.CalibrationMethod_CALIBRATION_METHOD_LOG_RESPONSE {
			for i, m := range fin.GetCorrectionMaps() {
				d.checkResponse(m, demoChips[i].perDecade/demoVoltsPerCode*demoChips[i].kelvin/300,
					demoChips[i].gainSpread)
			}
		}
	}
}

// checkResponse compares a correction map's slopes with those of the class.
func (d *daemon) checkResponse(m *facetdv1.CorrectionMap, perDecade, gainSpread float64) {
	d.t.Helper()
	if got := m.GetCodesPerDecade(); math.Abs(got/perDecade-1) > 0.003 {
		d.t.Errorf("%s: %.2f codes per decade, the class says %.2f", m.GetChip(), got, perDecade)
	}
	full := must[*facetdv1.GetCorrectionMapResponse](d.t)(d.cal.GetCorrectionMap(limited(d.t),
		&facetdv1.GetCorrectionMapRequest{Id: m.GetId(), Data: true}))
	gains := full.GetCorrectionMap().GetData().GetGain()
	var sum, squares float64
	for _, g := range gains {
		sum += float64(g)
		squares += float64(g) * float64(g)
	}
	n := float64(len(gains))
	spread := math.Sqrt(squares/n-(sum/n)*(sum/n)) / (sum / n)
	if math.Abs(spread/gainSpread-1) > 0.08 {
		d.t.Errorf("%s: slopes spread by %.5f, the class says %.5f", m.GetChip(), spread, gainSpread)
	}
	if m.GetDieKelvin() == 0 || m.GetArrayDigest() != d.server.Array().Digest || m.GetNote() != "test" ||
		len(m.GetChecksumSha256()) != 64 {
		d.t.Errorf("the correction map says %v", m)
	}
}

// TestRawStaysRaw: with active correction maps and somebody who reads corrected frames, the raw ones
// are what they are without, to the bit; and corrected ones are the correction map applied to them.
func TestRawStaysRaw(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	d := start(t, func(c *server.Setup) { c.Data = data })
	fin := d.calibrate(&facetdv1.StartCalibrationRequest{Task: "bed"}, 8, 10, 100, 500)
	if len(fin.GetCorrectionMaps()) != 4 {
		t.Fatalf("%d correction maps of the task bed: %v", len(fin.GetCorrectionMaps()), fin.GetFailures())
	}
	ids := map[string]string{}
	for _, m := range fin.GetCorrectionMaps() {
		ids[m.GetChip()] = m.GetId()
	}
	d.stop()
	digest := func(corrected bool) string {
		sum := framedigest.New()
		var mu sync.Mutex
		raw := map[uint64]*facetdv1.FrameSet{}
		// At free pace a run is over in an instant of a busy host: the bus waits at its first frame set for the reader.
		opened := make(chan struct{})
		d := start(t, func(c *server.Setup) {
			c.Data, c.StopAt = data, 3*time.Second
			c.JobEnded = func(fs *facetdv1.FrameSet) {
				<-opened
				mu.Lock()
				defer mu.Unlock()
				sum.Add(fs)
				if fs.GetTask() == "bed" {
					raw[fs.GetJob()] = fs
				}
			}
		})
		var got []*facetdv1.FrameSet
		if corrected {
			all := followtest.All("bed")
			all.Selection.Codes = facetdv1.Codes_CODES_CORRECTED
			stream, err := followtest.Open(limited(t), d.conn, all)
			close(opened)
			for err == nil {
				var m *facetdv1.FrameSetDelivery
				if m, err = stream.Recv(); err == nil { // until the end of the run
					got = append(got, m.GetFrameSet())
				}
			}
		} else {
			close(opened)
		}
		d.wait()
		for _, fs := range got {
			before := raw[fs.GetJob()]
			for i, f := range fs.GetFrames() {
				if f.GetCorrectionMapId() != ids[f.GetChip()] ||
					bytes.Equal(f.GetData(), before.GetFrames()[i].GetData()) ||
					len(before.GetFrames()[i].GetCorrections()) > 0 {
					t.Fatalf("job %d: correction map %q, %v", fs.GetJob(), f.GetCorrectionMapId(),
						before.GetFrames()[i].GetCorrections())
				}
			}
		}
		if corrected && len(got) < 20 {
			t.Errorf("%d corrected frame sets", len(got))
		}
		return fmt.Sprint(sum.Sum(), " of ", sum.Sets())
	}
	without, with := digest(false), digest(true)
	if without != with {
		t.Errorf("frame sets %s without anybody who wants them corrected, %s with", without, with)
	}
}

// TestOtherArraysMap: a correction map of another array in the folder is refused by name.
func TestOtherArraysMap(t *testing.T) {
	data := t.TempDir()
	d := start(t, func(c *server.Setup) { c.Data, c.Tasks = data, config.None })
	made := d.calibrate(&facetdv1.StartCalibrationRequest{Target: list("bow-comb")}, 4, 100).GetCorrectionMaps()[0]
	d.stop()
	other := strings.Replace(string(deploy.CrawlerArray), "name: culvert-crawler", "name: dock-crawler", 1)
	d = start(t, func(c *server.Setup) {
		c.Data, c.Tasks, c.Array = data, config.None, "dock.yaml"
		c.ReadFile = func(string) ([]byte, error) { return []byte(other), nil }
	})
	cmaps := must[*facetdv1.ListCorrectionMapsResponse](t)(d.cal.ListCorrectionMaps(limited(t),
		&facetdv1.ListCorrectionMapsRequest{}))
	if len(cmaps.GetCorrectionMaps()) != 0 || len(cmaps.GetRefused()) != 1 {
		t.Fatalf("%v", cmaps)
	}
	if r := cmaps.GetRefused()[0]; r.GetFile() != made.GetFile() ||
		!strings.Contains(r.GetReason(), `array "culvert-crawler"`) || r.GetChip() != "bow-comb" {
		t.Errorf("refused: %v", r)
	}
	f := d.pattern(list("bow-comb"), nil, facetdv1.Codes_CODES_CORRECTED, 1)["bow-comb"].frame
	if f.GetCorrectionMapId() != "" || len(f.GetCorrections()) != 0 ||
		!strings.Contains(f.GetCorrectionNote(), "chip bow-comb has no correction map") {
		t.Errorf("frame: %q %v %q", f.GetCorrectionMapId(), f.GetCorrections(), f.GetCorrectionNote())
	}
	filter := &facetdv1.EventFilter{Kinds: []facetdv1.EventKind{facetdv1.EventKind_EVENT_KIND_CALIBRATION}}
	events := must[*facetdv1.ListEventsResponse](t)(d.events.ListEvents(limited(t),
		&facetdv1.ListEventsRequest{Filter: filter}))
	last := events.GetEvents()[len(events.GetEvents())-1]
	if !strings.Contains(last.GetText(), made.GetFile()+" refused") {
		t.Errorf("the journal ends with %v", last)
	}
}

// TestOtherTemperature: frames of a die that is warmer than its correction map say so.
func TestOtherTemperature(t *testing.T) {
	d := start(t, func(c *server.Setup) { c.Tasks = config.None })
	d.calibrate(&facetdv1.StartCalibrationRequest{Target: list("bow-comb")}, 4, 100)
	note := func() string {
		return d.pattern(list("bow-comb"), nil, facetdv1.Codes_CODES_CORRECTED, 1)["bow-comb"].frame.GetCorrectionNote()
	}
	if got := note(); got != "" {
		t.Errorf("at once: %q", got)
	}
	offsetK := 12.0
	must[*facetdv1.SetSceneResponse](t)(d.scene.SetScene(limited(t),
		&facetdv1.SetSceneRequest{TemperatureOffsetK: &offsetK}))
	if got := note(); !strings.Contains(got, "made at 298 K, the die has 310 K") {
		t.Errorf("warmer: %q", got)
	}
}

// TestFindsDefects: pixels that the dies were given are found by kind, filled from their
// neighbours, and frames say so.
func TestFindsDefects(t *testing.T) {
	given := map[[2]uint32]facetdv1.DefectKind{
		{3, 4}: facetdv1.DefectKind_DEFECT_KIND_DEAD, {10, 10}: facetdv1.DefectKind_DEFECT_KIND_STUCK_LOW,
		{20, 5}: facetdv1.DefectKind_DEFECT_KIND_STUCK_HIGH, {0, 31}: facetdv1.DefectKind_DEFECT_KIND_NOISY,
	}
	d := start(t, func(c *server.Setup) {
		c.Tasks = config.None
		c.Defects = []string{"bow-comb:3,4=stuck@1.4", "bow-comb:10,10=stuck@0", "bow-comb:20,5=stuck@3",
			"bow-comb:0,31=noisy@0.02"}
	})
	m := d.calibrate(&facetdv1.StartCalibrationRequest{Target: list("bow-comb")}, 32, 1, 10, 100,
		1000).GetCorrectionMaps()[0]
	full := must[*facetdv1.GetCorrectionMapResponse](t)(d.cal.GetCorrectionMap(limited(t),
		&facetdv1.GetCorrectionMapRequest{Id: m.GetId(), Data: true})).GetCorrectionMap()
	found := 0
	for _, p := range full.GetData().GetDefects() {
		kind, known := given[[2]uint32{p.GetRow(), p.GetColumn()}]
		if known && !slices.Contains(p.GetKinds(), kind) {
			t.Errorf("row %d, column %d is called %v, want %v among them", p.GetRow(), p.GetColumn(), p.GetKinds(),
				kind)
		}
		if known {
			found++
		}
	}
	// One in 100,000 good pixels may be called defective; there are 1,152.
	if found != len(given) || m.GetDefectivePixels() > uint32(len(given))+1 {
		t.Errorf("%d of %d defects found, %d in all: %v", found, len(given), m.GetDefectivePixels(),
			full.GetData().GetDefects())
	}
	d.light(50)
	d.settle(list("bow-comb"))
	got := d.pattern(list("bow-comb"), nil, facetdv1.Codes_CODES_CORRECTED, 32)["bow-comb"]
	if f := got.frame; !slices.Contains(f.GetCorrections(), facetdv1.Correction_CORRECTION_PIXEL_FILL) {
		t.Errorf("corrections %v", f.GetCorrections())
	}
	mean, pattern, _ := got.numbers()
	for at := range given {
		if v := got.sum[at[0]*32+at[1]] / got.n; math.Abs(v-mean) > 6*pattern {
			t.Errorf("row %d, column %d shows %.1f, the others %.1f +- %.1f", at[0], at[1], v, mean, pattern)
		}
	}
	if pattern > 0.8 {
		t.Errorf("the pattern is %.2f codes", pattern)
	}
}

// TestOffsetUpdateAfterWarmingUp: correction maps made cold leave a pattern on a warm array, since slopes go
// with the temperature; one level of uniform illumination brings it down at that light.
func TestOffsetUpdateAfterWarmingUp(t *testing.T) {
	t.Parallel()
	d := start(t, func(c *server.Setup) { c.Tasks, c.Data = config.None, t.TempDir() })
	_, err := d.cal.UpdateOffsets(limited(t), &facetdv1.UpdateOffsetsRequest{})
	if status.Code(err) != codes.FailedPrecondition {
		t.Errorf("without correction maps: %v", err)
	}
	views := []*facetdv1.View{{SmoothingSteps: 1}, {Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}}
	d.calibrate(&facetdv1.StartCalibrationRequest{Target: list("bow-comb")}, 32, 20, 500)
	d.calibrate(&facetdv1.StartCalibrationRequest{Target: list("wall-00"), Views: views}, 16, 20, 500)
	// A scene that is not uniform would be burnt into the maps.
	must[*facetdv1.SetSceneResponse](t)(d.scene.SetScene(limited(t),
		&facetdv1.SetSceneRequest{Scene: "uniform:200 then 1ms demo"}))
	for what, err := range map[string]error{
		"update": func() error {
			_, err := d.cal.UpdateOffsets(limited(t), &facetdv1.UpdateOffsetsRequest{})
			return err
		}(),
		"level": func() error {
			ses := must[*facetdv1.StartCalibrationResponse](t)(d.cal.StartCalibration(limited(t),
				&facetdv1.StartCalibrationRequest{Target: list("bow-comb")}))
			s, err := d.cal.CollectLevel(limited(t), &facetdv1.CollectLevelRequest{Session: ses.GetSession().GetId(),
				Light: &facetdv1.CollectLevelRequest_Lux{Lux: 200}})
			if err == nil {
				_, err = s.Recv()
			}
			return err
		}(),
	} {
		if status.Code(err) != codes.FailedPrecondition || !strings.Contains(err.Error(), "then 1ms demo") {
			t.Errorf("a %s in a scene that is not uniform: %v", what, err)
		}
	}
	offsetK := 40.0
	must[*facetdv1.SetSceneResponse](t)(d.scene.SetScene(limited(t),
		&facetdv1.SetSceneRequest{TemperatureOffsetK: &offsetK}))
	d.light(200)
	d.settle(list("bow-comb"))
	look := func() (pattern float64, f *facetdv1.Frame) {
		got := d.pattern(list("bow-comb"), nil, facetdv1.Codes_CODES_CORRECTED, 64)["bow-comb"]
		_, pattern, _ = got.numbers()
		return pattern, got.frame
	}
	before, _ := look()
	// Nobody need measure that light: then it is unknown, not dark.
	unknown := must[*facetdv1.UpdateOffsetsResponse](t)(d.cal.UpdateOffsets(limited(t),
		&facetdv1.UpdateOffsetsRequest{Frames: 32}))
	r := must[*facetdv1.UpdateOffsetsResponse](t)(d.cal.UpdateOffsets(limited(t),
		&facetdv1.UpdateOffsetsRequest{Frames: 32, Lux: new(200.0)}))
	if l, known := unknown.GetCorrectionMaps()[0].GetLevels()[0],
		r.GetCorrectionMaps()[0].GetLevels()[0]; l.Lux != nil || known.Lux == nil ||
		known.GetLux() != 200 {
		t.Errorf("levels %v and %v", l, known)
	}
	if len(r.GetCorrectionMaps()) != 3 || len(r.GetFailures()) != 0 {
		t.Fatalf("%d correction maps, %v", len(r.GetCorrectionMaps()), r.GetFailures())
	}
	after, f := look()
	_, _, noise := d.pattern(list("bow-comb"), nil, facetdv1.Codes_CODES_RAW, 32)["bow-comb"].numbers()
	floor := math.Sqrt(noise*noise*(1.0/32+1.0/64) + 0.2*0.2)
	t.Logf("40 K warmer: pattern of %.2f codes, %.2f after, noise leaves %.2f", before, after, floor)
	if before < 2*floor || after > 1.15*floor {
		t.Errorf("pattern of %.2f codes before, %.2f after; noise leaves %.2f", before, after, floor)
	}
	if f.GetCorrectionNote() != "" || r.GetCorrectionMaps()[2].GetUpdatedFrom() == "" ||
		r.GetCorrectionMaps()[2].GetDieKelvin() != 338 {
		t.Errorf("%q; %v", f.GetCorrectionNote(), r.GetCorrectionMaps()[2])
	}
	// The second view of the pyramid is still what its correction map is for.
	wall := must[*facetdv1.CaptureFramesResponse](t)(d.frames.CaptureFrames(limited(t),
		&facetdv1.CaptureFramesRequest{Target: list("wall-00"), Views: views, Codes: facetdv1.Codes_CODES_CORRECTED}))
	for i, f := range wall.GetFrameSet().GetFrames() {
		if f.GetCorrectionMapId() != r.GetCorrectionMaps()[i].GetId() &&
			f.GetCorrectionMapId() != r.GetCorrectionMaps()[1-i].GetId() || len(f.GetCorrections()) == 0 {
			t.Errorf("view %s: correction map %q, %q", f.GetView(), f.GetCorrectionMapId(), f.GetCorrectionNote())
		}
	}
}

// TestPhotonTransferOfLinearPixels: an array with integrating pixels gives the figures of its
// class.
func TestPhotonTransferOfLinearPixels(t *testing.T) {
	t.Parallel()
	const text = `
name: linear-bench
select_lines: [a, b]
timing: {dead_time: 200ns, select_setup: 300ns, write: 1us, strobe: 500ns, release_limit: 20us}
lanes:
  - name: l
    line_capacitance_pf: 10
    chip_capacitance_pf: 2
    converter: {bits: 14, low_volts: 0.2, high_volts: 2.2, conversion: 1us, sample_and_hold: true}
classes:
  - name: well
    lattice: {rows: 40, columns: 48, pitch_x_um: 10}
    linear:
      exposure: 10ms
      electrons_per_lux_s: 8000
      dark_electrons_per_s: 3000
      full_well_electrons: 20000
      volts_per_electron: 80e-6
      reset_volts: 2.0
      read_noise_electrons: 12
      dark_spread_electrons: 25
      gain_spread: 0.015
    readout: {step: 300ns, row_step: 500ns, settle: 1us}
    counter: {reset: 2us}
chips:
  - {name: w0, class: well, selects: [a, b], lane: l, lens: {horizontal_fov_deg: 30, vertical_fov_deg: 25}}
`
	d := start(t, func(c *server.Setup) {
		c.Array, c.ReadFile = "linear.yaml", func(string) ([]byte, error) { return []byte(text), nil }
	})
	levels := []float64{0, 20, 40, 60, 80, 100, 120, 140, 160, 180, 200, 220, 260, 300}
	fin := d.calibrate(&facetdv1.StartCalibrationRequest{Target: list("w0"),
		Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET_GAIN}, 16, levels...)
	if len(fin.GetPhotonTransfers()) != 1 {
		t.Fatalf("%v, %v", fin.GetPhotonTransfers(), fin.GetFailures())
	}
	p := fin.GetPhotonTransfers()[0]
	const lsb, dark = 2.0 / 16384, 30.0 // volts, electrons in an exposure
	k := 80e-6 / lsb
	for name, v := range map[string]struct{ got, want, within float64 }{
		"gain":          {p.GetCodesPerElectron(), k, 0.01},
		"dark noise":    {p.GetDarkNoiseElectrons(), math.Sqrt(12*12 + dark), 0.02},
		"DSNU":          {p.GetDsnuElectrons(), 25, 0.06},
		"PRNU":          {p.GetPrnu(), 0.015, 0.06},
		"codes per lux": {p.GetCodesPerLux(), k * 80, 0.002},
		"saturation":    {p.GetSaturationElectrons(), 20000, 0.13}, // the last level below the full well
	} {
		t.Logf("%s: %.5g, the class says %.5g", name, v.got, v.want)
		if math.Abs(v.got/v.want-1) > v.within {
			t.Errorf("%s is %.5g, the class says %.5g", name, v.got, v.want)
		}
	}
	if e := p.GetLinearityError(); !(e > 0 && e < 0.001) {
		t.Errorf("a straight response has a linearity error of %g", e)
	}
	d.fullWells(fin.GetCorrectionMaps()[0], 260, 300) // 250 lux fill a well

	// At 250 lux half of the wells are full.
	id := must[*facetdv1.StartCalibrationResponse](t)(d.cal.StartCalibration(limited(t),
		&facetdv1.StartCalibrationRequest{Target: list("w0")})).GetSession().GetId()
	for _, lux := range []float64{0, 120, 250} {
		cautions := strings.Join(d.collect(id, lux, 16).GetChips()[0].GetCautions(), "; ")
		if strings.Contains(cautions, "of the pixels saturate") != (lux == 250) {
			t.Errorf("at %g lux: %q", lux, cautions)
		}
	}
	fin = must[*facetdv1.FinishCalibrationResponse](t)(d.cal.FinishCalibration(limited(t),
		&facetdv1.FinishCalibrationRequest{Session: id}))
	d.fullWells(fin.GetCorrectionMaps()[0], 250)
}

// fullWells demands that the levels of these lights, in which wells are full, were left out of a correction map, and
// that it calls no pixel defective for it.
func (d *daemon) fullWells(m *facetdv1.CorrectionMap, lights ...float64) {
	d.t.Helper()
	for _, l := range m.GetLevels() {
		if full := slices.Contains(lights, l.GetLux()); l.GetLeftOut() != full ||
			(l.GetSaturatedPixels() > 200) != full {
			d.t.Errorf("at %g lux %d pixels saturate, left out: %t", l.GetLux(), l.GetSaturatedPixels(), l.GetLeftOut())
		}
	}
	if n := m.GetDefectivePixels(); n > 2 {
		d.t.Errorf("%d good pixels are called defective", n)
	}
}

// TestCodesThatThereAreNot are refused, in streams and captures.
func TestCodesThatThereAreNot(t *testing.T) {
	d := start(t, func(c *server.Setup) { c.Tasks = config.None })
	_, err := d.frames.CaptureFrames(limited(t), &facetdv1.CaptureFramesRequest{Target: list("bow-comb"), Codes: 9})
	if status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "codes") {
		t.Errorf("capture: %v", err)
	}
	_, err = followtest.Open(limited(t), d.conn, &facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{Codes: 9}})
	if status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "codes") {
		t.Errorf("stream: %v", err)
	}
}
