package calibration

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/daemon/dispatch"
	statuses "facetd.example/daemon/status"
	"facetd.example/scheduler/program"
)

// bench is a service whose captures are made by formula.
type bench struct {
	*Service
	client facetdv1.CalibrationServiceClient
	log    log
	now    atomic.Int64 // time of day, nanoseconds
	busNS  atomic.Int64
	// code is the mean code of a frame at a bus time; row and column may change it.
	code func(busNS int64, row, column int) float64
	rng  *rand.Rand
	hold chan struct{} // captures wait for it where it is set
}

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{rng: rand.New(rand.NewPCG(7, 7)), code: func(int64, int, int) float64 { return 500 }}
	b.now.Store(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC).UnixNano())
	a := bustest.MustArray()
	var err error
	b.Service, err = New(Config{
		Array: a, Events: b.log.add, Clock: func() time.Time { return time.Unix(0, b.now.Load()) },
		Capture: b.capture, Tasks: func() []*facetdv1.RunningTask {
			return []*facetdv1.RunningTask{{Task: &facetdv1.Task{Name: "look", Target: unitOf("h0").target,
				Views: []*facetdv1.View{{Name: "top", Window: &facetdv1.Window{Rows: 2}}}}}}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	l := bufconn.Listen(1 << 16)
	s := grpc.NewServer(grpc.UnaryInterceptor(statuses.Unary(a)), grpc.StreamInterceptor(statuses.Stream(a)))
	b.Register(s)
	go func() { _ = s.Serve(l) }()
	conn, err := grpc.NewClient("passthrough:bench", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(); s.Stop() })
	b.client = facetdv1.NewCalibrationServiceClient(conn)
	return b
}

func (b *bench) capture(ctx context.Context, r *facetdv1.CaptureFramesRequest) (dispatch.Done, error) {
	if b.hold != nil {
		select {
		case <-b.hold:
		case <-ctx.Done():
			return dispatch.Done{}, ctx.Err()
		}
	}
	a := b.cfg.Array
	chips, m := a.Resolve(r.GetTarget())
	if len(m) > 0 {
		return dispatch.Done{}, m
	}
	at := b.busNS.Add(10e6)
	set := &facetdv1.FrameSet{}
	b.mu.Lock() // the captures of a session run side by side
	defer b.mu.Unlock()
	for _, c := range chips {
		views, err := program.ResolveViews(a, a.Chips[c].Class, r.GetViews())
		if err != nil {
			return dispatch.Done{}, err
		}
		for _, v := range views {
			f := &facetdv1.Frame{Chip: a.Chips[c].Name, View: v.Name, LightBusNs: at}
			for i := range v.Window.Pixels() {
				code := b.code(at, i/v.Window.Columns, i%v.Window.Columns) + 2*b.rng.NormFloat64()
				f.Data = binary.LittleEndian.AppendUint16(f.Data, uint16(min(max(math.Round(code), 0), 1023)))
			}
			set.Frames = append(set.Frames, f)
		}
	}
	return dispatch.Done{FrameSet: set}, nil
}

func (b *bench) start(t *testing.T, chips ...string) string {
	t.Helper()
	r, err := b.client.StartCalibration(t.Context(), &facetdv1.StartCalibrationRequest{Target: unitOf(chips...).target})
	if err != nil {
		t.Fatal(err)
	}
	return r.GetSession().GetId()
}

func (b *bench) collect(ctx context.Context, session string, lux float64, frames uint32) (*facetdv1.CollectedLevel,
	error) {
	stream, err := b.client.CollectLevel(ctx,
		&facetdv1.CollectLevelRequest{Session: session, Light: &facetdv1.CollectLevelRequest_Lux{Lux: lux},
			Frames: frames})
	if err != nil {
		return nil, err
	}
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil, errors.New("no level came")
		}
		if err != nil {
			return nil, err
		}
		if m.GetState() == facetdv1.IlluminationState_ILLUMINATION_STATE_DONE {
			return m.GetLevel(), nil
		}
	}
}

func wantCode(t *testing.T, what string, err error, code codes.Code, words ...string) {
	t.Helper()
	if status.Code(err) != code {
		t.Errorf("%s: %v, want %v", what, err, code)
	}
	for _, w := range words {
		if err == nil || !strings.Contains(err.Error(), w) {
			t.Errorf("%s: %v does not say %q", what, err, w)
		}
	}
}

func TestSessionsAreBoundAndExpire(t *testing.T) {
	b := newBench(t)
	var ids []string
	for range MaxSessions {
		ids = append(ids, b.start(t, "h0"))
	}
	_, err := b.client.StartCalibration(t.Context(), &facetdv1.StartCalibrationRequest{Target: unitOf("h0").target})
	wantCode(t, "one too many", err, codes.ResourceExhausted, ids[0])
	b.now.Add(int64(SessionLimit - time.Second))
	if _, err := b.client.GetCalibration(t.Context(), &facetdv1.GetCalibrationRequest{Session: ids[0]}); err != nil {
		t.Error(err)
	}
	b.now.Add(int64(2 * time.Second)) // the first was just asked for
	r, err := b.client.ListCalibrations(t.Context(), &facetdv1.ListCalibrationsRequest{})
	if err != nil || len(r.GetSessions()) != 1 || r.GetSessions()[0].GetId() != ids[0] {
		t.Errorf("open: %v, %v", r, err)
	}
	b.log.has(t, warning, ids[1], "expired")
	_, err = b.collect(t.Context(), ids[1], 1, 2)
	wantCode(t, "a level of an expired session", err, codes.NotFound)
	if _, err := b.client.AbortCalibration(t.Context(),
		&facetdv1.AbortCalibrationRequest{Session: ids[0]}); err != nil {
		t.Error(err)
	}
	_, err = b.client.AbortCalibration(t.Context(), &facetdv1.AbortCalibrationRequest{Session: ids[0]})
	wantCode(t, "aborting twice", err, codes.NotFound)
}

func TestErrorsOfRequests(t *testing.T) {
	b := newBench(t)
	one := unitOf("h0").target
	for what, c := range map[string]struct {
		r    *facetdv1.StartCalibrationRequest
		code codes.Code
		says string
	}{
		"nothing": {&facetdv1.StartCalibrationRequest{}, codes.InvalidArgument, "no chips are named"},
		"both": {&facetdv1.StartCalibrationRequest{Task: "look", Target: one}, codes.InvalidArgument,
			"brings its own"},
		"a view beside a task": {&facetdv1.StartCalibrationRequest{Task: "look", Views: []*facetdv1.View{{}}},
			codes.InvalidArgument, "brings its own"},
		"no such task": {&facetdv1.StartCalibrationRequest{Task: "gaze"}, codes.NotFound, "gaze"},
		"no such chip": {&facetdv1.StartCalibrationRequest{Target: unitOf("h9").target}, codes.InvalidArgument,
			"h9"},
		"views": {&facetdv1.StartCalibrationRequest{Target: one,
			Views: []*facetdv1.View{{SmoothingSteps: 1}}}, codes.InvalidArgument, "cannot smooth"},
		"method": {&facetdv1.StartCalibrationRequest{Target: one, Method: 9}, codes.InvalidArgument,
			"no method 9"},
		"cold": {&facetdv1.StartCalibrationRequest{Target: one, DieKelvin: new(20.0)}, codes.InvalidArgument,
			"20 K"},
		"NaN": {&facetdv1.StartCalibrationRequest{Target: one, DieKelvin: new(math.NaN())},
			codes.InvalidArgument, "NaN"},
		"a very long note": {&facetdv1.StartCalibrationRequest{Target: one, Note: strings.Repeat("x", 501)},
			codes.InvalidArgument, "501"},
	} {
		_, err := b.client.StartCalibration(t.Context(), c.r)
		wantCode(t, what, err, c.code, c.says)
	}
	id := b.start(t, "h0")
	for what, r := range map[string]*facetdv1.CollectLevelRequest{
		"no light":   {Session: id},
		"negative":   {Session: id, Light: &facetdv1.CollectLevelRequest_Lux{Lux: -1}},
		"one frame":  {Session: id, Frames: 1, Light: &facetdv1.CollectLevelRequest_Dark{Dark: &facetdv1.Darkness{}}},
		"not finite": {Session: id, Light: &facetdv1.CollectLevelRequest_Lux{Lux: math.Inf(1)}},
	} {
		stream, err := b.client.CollectLevel(t.Context(), r)
		if err == nil {
			_, err = stream.Recv()
		}
		wantCode(t, what, err, codes.InvalidArgument)
	}
	_, err := b.client.FinishCalibration(t.Context(), &facetdv1.FinishCalibrationRequest{Session: id})
	wantCode(t, "no level", err, codes.FailedPrecondition, "no level")
	_, err = b.client.GetCorrectionMap(t.Context(), &facetdv1.GetCorrectionMapRequest{Id: "h0-0"})
	wantCode(t, "no correction map", err, codes.NotFound)
	_, err = b.client.DeleteCorrectionMap(t.Context(), &facetdv1.DeleteCorrectionMapRequest{})
	wantCode(t, "no name", err, codes.InvalidArgument)
	_, err = b.client.ListCorrectionMaps(t.Context(), &facetdv1.ListCorrectionMapsRequest{Chip: "x"})
	wantCode(t, "no chip", err, codes.NotFound)
}

// TestFinishAfterTooFewLevels leaves the session open.
func TestFinishAfterTooFewLevels(t *testing.T) {
	b := newBench(t)
	id := b.start(t, "h0", "m0")
	if _, err := b.collect(t.Context(), id, 10, 4); err != nil {
		t.Fatal(err)
	}
	_, err := b.client.FinishCalibration(t.Context(),
		&facetdv1.FinishCalibrationRequest{Session: id,
			Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_LOG_RESPONSE})
	wantCode(t, "one level", err, codes.FailedPrecondition, "h0", "more levels")
	r, err := b.client.FinishCalibration(t.Context(), &facetdv1.FinishCalibrationRequest{Session: id})
	if err != nil || len(r.GetCorrectionMaps()) != 2 ||
		r.GetCorrectionMaps()[0].GetMethod() != facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET {
		t.Errorf("%v, %v", r, err)
	}
	b.log.has(t, info, "made for chip m0")
	b.log.has(t, warning, "no correction map for chip h0")
	_, err = b.client.GetCalibration(t.Context(), &facetdv1.GetCalibrationRequest{Session: id})
	wantCode(t, "a finished session", err, codes.NotFound)
}

// TestTasksViews: the views of a running task are applied.
func TestTasksViews(t *testing.T) {
	b := newBench(t)
	r, err := b.client.StartCalibration(t.Context(), &facetdv1.StartCalibrationRequest{Task: "look"})
	if err != nil {
		t.Fatal(err)
	}
	level, err := b.collect(t.Context(), r.GetSession().GetId(), 10, 8)
	if err != nil || len(level.GetChips()) != 1 || level.GetChips()[0].GetView() != "top" ||
		level.GetChips()[0].GetFrames() != 8 {
		t.Errorf("%v, %v", level, err)
	}
	done, err := b.client.FinishCalibration(t.Context(),
		&facetdv1.FinishCalibrationRequest{Session: r.GetSession().GetId()})
	if err != nil || done.GetCorrectionMaps()[0].GetRows() != 2 ||
		done.GetCorrectionMaps()[0].GetSettings().GetWindow().GetRows() != 2 {
		t.Errorf("%v, %v", done, err)
	}
	// The corrector knows the task's view from the timetable; a plain view is another.
	b.PlanChanged(&facetdv1.Plan{Tasks: []*facetdv1.Task{b.cfg.Tasks()[0].GetTask(),
		{Name: "plain", Target: unitOf("h0").target}}}, 0, 0)
	for task, want := range map[string]string{"look": "", "plain": "for other settings", "gone": "not known"} {
		f := &facetdv1.Frame{Chip: "h0", View: "top", Data: make([]byte, 2*2*4)}
		if task == "plain" {
			f = &facetdv1.Frame{Chip: "h0", View: "view-1", Data: make([]byte, 2*4*4)}
		}
		got := b.Begin(&facetdv1.FrameSet{Task: task, Frames: []*facetdv1.Frame{f}})().GetFrames()[0]
		if (want == "") != (got.GetCorrectionMapId() != "") || !strings.Contains(got.GetCorrectionNote(), want) {
			t.Errorf("%s: correction map %q, %q", task, got.GetCorrectionMapId(), got.GetCorrectionNote())
		}
	}
	failed := b.Begin(&facetdv1.FrameSet{Task: "look", Failure: "cut off",
		Frames: []*facetdv1.Frame{{Chip: "h0", View: "top", Data: make([]byte, 16)}}})()
	if f := failed.GetFrames()[0]; f.GetCorrectionMapId() != "" ||
		!strings.Contains(f.GetCorrectionNote(), "job failed") || failed.GetFailure() != "cut off" {
		t.Errorf("of a failed job: %v", failed)
	}
	if st := b.Stats(); st.Corrected != 1 || st.NoMap != 1 || st.UnknownView != 1 || st.Incomplete != 1 {
		t.Errorf("counts %+v", st)
	}
}

// TestOneLevelAtATime: a second call waits for nobody, and an aborted session ends the level
// that is being gathered.
func TestOneLevelAtATime(t *testing.T) {
	b := newBench(t)
	id := b.start(t, "h0")
	b.hold = make(chan struct{})
	first := make(chan error, 1)
	go func() {
		_, err := b.collect(context.Background(), id, 10, 4)
		first <- err
	}()
	for {
		r, err := b.client.GetCalibration(t.Context(), &facetdv1.GetCalibrationRequest{Session: id})
		if err != nil {
			t.Fatal(err)
		}
		if r.GetSession().GetCollecting() {
			break
		}
	}
	_, err := b.collect(t.Context(), id, 20, 4)
	wantCode(t, "a second level", err, codes.Aborted)
	_, err = b.client.FinishCalibration(t.Context(), &facetdv1.FinishCalibrationRequest{Session: id})
	wantCode(t, "finishing meanwhile", err, codes.Aborted)
	if _, err := b.client.AbortCalibration(t.Context(), &facetdv1.AbortCalibrationRequest{Session: id}); err != nil {
		t.Fatal(err)
	}
	close(b.hold)
	if err := <-first; status.Code(err) != codes.Aborted && status.Code(err) != codes.NotFound {
		t.Errorf("the level of an aborted session: %v", err)
	}
}

// TestBrokenOffLevel is ignored, and its room is given back.
func TestBrokenOffLevel(t *testing.T) {
	b := newBench(t)
	id := b.start(t, "h0")
	b.hold = make(chan struct{})
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := b.collect(ctx, id, 10, 4); status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("%v", err)
	}
	close(b.hold)
	for range 2000 { // until the daemon has seen that the caller went away
		r, err := b.client.GetCalibration(t.Context(), &facetdv1.GetCalibrationRequest{Session: id})
		if err != nil {
			t.Fatal(err)
		}
		if !r.GetSession().GetCollecting() {
			break
		}
	}
	if _, err := b.collect(t.Context(), id, 10, 4); err != nil {
		t.Fatal(err)
	}
	if _, err := b.collect(t.Context(), id, 10, 4); err != nil { // in its place
		t.Fatal(err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if ses := b.sessions[id]; len(ses.levels) != 1 || ses.samples != 16 {
		t.Errorf("%d levels of %d samples", len(ses.levels), ses.samples)
	}
}

// TestCautions: light that flickers, drifts, clips or falls off to one side is reported.
func TestCautions(t *testing.T) {
	for want, code := range map[string]func(busNS int64, row, column int) float64{
		"": func(int64, int, int) float64 { return 500 },
		"mains flickers": func(at int64, _,
			_ int) float64 {
			return 500 + 20*math.Sin(2*math.Pi*100*float64(at)*1e-9*1.037)
		},
		"frames drift by": func(at int64, _, _ int) float64 { return 300 + 20*float64(at)*1e-9 },
		"at the highest":  func(int64, int, int) float64 { return 1030 },
		"at the lowest":   func(int64, int, int) float64 { return -5 },
		"light falls off": func(_ int64, _, column int) float64 { return 500 + 40*float64(column) },
		"average little":  func(int64, int, int) float64 { return 500 },
	} {
		b := newBench(t)
		b.code = code
		frames := uint32(32)
		if want == "average little" {
			frames = 4
		}
		level, err := b.collect(t.Context(), b.start(t, "m0"), 10, frames)
		if err != nil {
			t.Fatal(want, err)
		}
		got := strings.Join(level.GetChips()[0].GetCautions(), "; ")
		if want == "" && got != "" || !strings.Contains(got, want) {
			t.Errorf("want %q, got %q", want, got)
		}
	}
}

// TestUpdateInLightThatIsNotUniform: an offset update that takes the light for the pixels' own drift says so, to the
// caller and in the journal; under uniform illumination it says nothing.
func TestUpdateInLightThatIsNotUniform(t *testing.T) {
	b := newBench(t)
	session := b.start(t, "m0")
	for _, lux := range []float64{10, 100} {
		b.code = func(int64, int, int) float64 { return 300 + 2*lux }
		if _, err := b.collect(t.Context(), session, lux, 16); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := b.client.FinishCalibration(t.Context(), &facetdv1.FinishCalibrationRequest{Session: session,
		Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET_GAIN}); err != nil {
		t.Fatal(err)
	}
	for _, slope := range []float64{0, 12} {
		b.code = func(_ int64, _, column int) float64 { return 400 + slope*float64(column) }
		r, err := b.client.UpdateOffsets(t.Context(), &facetdv1.UpdateOffsetsRequest{Frames: 16})
		if err != nil {
			t.Fatal(err)
		}
		chips := r.GetLevel().GetChips()
		if len(chips) != 1 || chips[0].GetChip() != "m0" || r.GetLevel().GetFrames() != 16 {
			t.Fatalf("%v", r.GetLevel())
		}
		got := strings.Join(chips[0].GetCautions(), "; ")
		if warned := strings.Contains(got, "light falls off"); warned != (slope > 0) || !warned && got != "" {
			t.Errorf("a slope of %g codes a pixel: %q", slope, got)
		}
		if slope > 0 {
			b.log.has(t, facetdv1.Severity_SEVERITY_WARNING, "offset update of chip m0", "light falls off")
		}
	}
}

// TestMemoryIsBounded: levels beyond what fits are refused, over all sessions.
func TestMemoryIsBounded(t *testing.T) {
	b := newBench(t)
	id, other := b.start(t, "h0"), b.start(t, "h0")
	b.mu.Lock()
	b.sessions[other].samples = maxSamples - 15
	b.mu.Unlock()
	_, err := b.collect(t.Context(), id, 10, 4)
	wantCode(t, "a level of 16 pixels where 15 fit", err, codes.ResourceExhausted)
	if _, err := b.client.AbortCalibration(t.Context(), &facetdv1.AbortCalibrationRequest{Session: other}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.collect(t.Context(), id, 10, 4); err != nil {
		t.Error(err)
	}
}

// TestUnits: chips that listen whenever another does are read together.
func TestUnits(t *testing.T) {
	msg := bustest.Message()
	msg.Chips[1].Selects = msg.Chips[0].Selects // m1 on lane b listens with m0 on lane a
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	var got []string
	for _, u := range unitsOf(a, a.All()) {
		got = append(got, strings.Join(u.chips, "+"))
	}
	if text := strings.Join(got, " "); text != "m0+m1 m2 c0 t0 s0 h0" {
		t.Errorf("units %s", text)
	}
}
