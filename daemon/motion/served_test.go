package motion_test

import (
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

const bedTask = "tasks: [{name: bed, target: {group: bed}, rate_hz: 20, views: [{name: bed}]}]"

// daemon is a real server.
type daemon struct {
	t    *testing.T
	conn *grpc.ClientConn
	// address is where it listens.
	address string
}

func start(t *testing.T, change func(*server.Setup)) *daemon {
	t.Helper()
	c := server.Setup{Config: config.Default()}
	c.Scene, c.Pace, c.Version, c.Logger = "uniform:200", config.Free, "1.2.3", zap.NewNop()
	c.Listen = config.Listen{GRPC: "127.0.0.1:0"}
	change(&c)
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
	t.Cleanup(func() {
		conn.Close()
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	})
	return &daemon{t: t, conn: conn, address: s.Addresses().GRPC}
}

func limited(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func tasksFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tasks.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// calibrate makes the correction maps of the bed chips under uniform light.
func (d *daemon) calibrate() {
	d.t.Helper()
	cal := facetdv1.NewCalibrationServiceClient(d.conn)
	ctx := limited(d.t)
	started, err := cal.StartCalibration(ctx, &facetdv1.StartCalibrationRequest{
		Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bed"}}, Views: []*facetdv1.View{{Name: "bed"}}})
	if err != nil {
		d.t.Fatal(err)
	}
	id := started.GetSession().GetId()
	for _, lux := range []float64{3, 30, 300} {
		d.light(map[float64]string{3: "uniform:3", 30: "uniform:30", 300: "uniform:300"}[lux])
		stream, err := cal.CollectLevel(ctx, &facetdv1.CollectLevelRequest{Session: id, Frames: 8,
			Light: &facetdv1.CollectLevelRequest_Lux{Lux: lux}})
		for err == nil {
			_, err = stream.Recv()
		}
		if !errors.Is(err, io.EOF) {
			d.t.Fatal(err)
		}
	}
	if _, err := cal.FinishCalibration(ctx, &facetdv1.FinishCalibrationRequest{Session: id}); err != nil {
		d.t.Fatal(err)
	}
}

func (d *daemon) light(spec string) {
	d.t.Helper()
	if _, err := facetdv1.NewSceneServiceClient(d.conn).SetScene(limited(d.t),
		&facetdv1.SetSceneRequest{Scene: spec}); err != nil {
		d.t.Fatal(err)
	}
}

// watch begins a stream and returns what reads its next estimate, and what ends it.
func (d *daemon) watch(s *facetdv1.MotionStart) (next func() *facetdv1.MotionDelivery, end func()) {
	d.t.Helper()
	ctx, cancel := context.WithCancel(limited(d.t))
	stream, err := facetdv1.NewMotionServiceClient(d.conn).StreamMotion(ctx)
	if err == nil {
		err = stream.Send(&facetdv1.StreamMotionRequest{Request: &facetdv1.StreamMotionRequest_Start{Start: s}})
	}
	if err != nil {
		d.t.Fatal(err)
	}
	m, err := stream.Recv()
	if err != nil || m.GetBegun() == nil {
		d.t.Fatalf("the first response: %v, %v", m, err)
	}
	return func() *facetdv1.MotionDelivery {
		d.t.Helper()
		for {
			m, err := stream.Recv()
			if err != nil {
				d.t.Fatal(err)
			}
			if got := m.GetDelivery(); got != nil {
				if err := stream.Send(&facetdv1.StreamMotionRequest{Request: &facetdv1.StreamMotionRequest_Grant{
					Grant: &facetdv1.MotionGrant{Estimates: 1}}}); err != nil {
					d.t.Fatal(err)
				}
				return got
			}
		}
	}, cancel
}

// TestCorrectedFramesTellTheRate: the whole daemon, from simulated pixels with their fixed pattern through correction
// maps that it made itself to a stream, tells how the crawler turns; before there are maps it says why not.
func TestCorrectedFramesTellTheRate(t *testing.T) {
	t.Parallel()
	d := start(t, func(c *server.Setup) { c.Tasks, c.Data = tasksFile(t, bedTask), t.TempDir() })
	raw, end := d.watch(&facetdv1.MotionStart{Estimates: 1})
	for _, c := range raw().GetEstimate().GetChips() {
		if c.GetReason() != facetdv1.MotionReason_MOTION_REASON_NOT_CORRECTED {
			t.Errorf("without correction maps: %v", c.GetReason())
		}
	}
	end()
	d.calibrate()
	for range 2 {
		next, end := d.watch(&facetdv1.MotionStart{Estimates: 1, Overflow: facetdv1.Overflow_OVERFLOW_QUEUE})
		flat := 0
		for range 20 {
			for _, c := range next().GetEstimate().GetChips() {
				if len(c.GetShiftCovariancePx2()) > 0 && c.GetShiftCovariancePx2()[0] < 0.01 {
					t.Errorf("uniform light is a shift of %.3f, %.3f, sure to %.3f", c.GetShiftXPx(), c.GetShiftYPx(),
						math.Sqrt(c.GetShiftCovariancePx2()[0]))
				}
				if c.GetReason() == facetdv1.MotionReason_MOTION_REASON_FLAT {
					flat++
				}
			}
		}
		end()
		if flat < 60 {
			t.Errorf("uniform light: only %d of 80 are called flat", flat)
		}
	}
	d.light("demo:low=1,high=800,yaw_rate=12")
	next, end := d.watch(&facetdv1.MotionStart{Estimates: 1, Overflow: facetdv1.Overflow_OVERFLOW_QUEUE})
	var yaw, others []float64
	for len(yaw) < 30 {
		e := next().GetEstimate()
		if b := e.GetBody(); b.GetTold() && b.GetRotationOnly() {
			yaw = append(yaw, b.GetRateRadPerS()[2])
			others = append(others, math.Hypot(b.GetRateRadPerS()[0], b.GetRateRadPerS()[1]))
		}
	}
	end()
	slices.Sort(yaw)
	slices.Sort(others)
	want := 12 * math.Pi / 180
	t.Logf("yaw rate %.4f to %.4f, median %.4f, want %.4f rad/s; others up to %.4f", yaw[0], yaw[29], yaw[15], want,
		others[29])
	if math.Abs(yaw[15]-want) > 0.01*want || math.Abs(yaw[3]-want) > 0.006 || math.Abs(yaw[26]-want) > 0.006 {
		t.Errorf("yaw rate %.4f, of most from %.4f to %.4f, want %.4f rad/s", yaw[15], yaw[3], yaw[26], want)
	}
	if others[26] > 0.01 {
		t.Errorf("rates about other axes of up to %.4f rad/s", others[26])
	}
	d.followsFaster()
}

// followsFaster has the task of a daemon make pairs: they tell a turn of which the pictures from job to job have
// nothing
// in common any more, and of which the plan says that they do.
func (d *daemon) followsFaster() {
	const turn = 300 * math.Pi / 180
	tasks := facetdv1.NewTaskServiceClient(d.conn)
	plan := func() *facetdv1.Prediction {
		got, err := facetdv1.NewPlanServiceClient(d.conn).GetPlan(limited(d.t), &facetdv1.GetPlanRequest{})
		if err != nil {
			d.t.Fatal(err)
		}
		return got.GetPlan().GetPredictions()[0]
	}
	if p := plan(); p.GetFastestTurnRadPerS() > turn || p.GetLeastLightIntervalNs() != 50e6 {
		d.t.Errorf("without pairs: %v", p)
	}
	if _, err := tasks.UpdateTask(limited(d.t), &facetdv1.UpdateTaskRequest{
		Task:       &facetdv1.Task{Name: "bed", PairInterval: durationpb.New(12 * time.Millisecond)},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"pair_interval"}}}); err != nil {
		d.t.Fatal(err)
	}
	if p := plan(); p.GetFastestTurnRadPerS() < turn || p.GetGreatestLightIntervalNs() != 12e6 {
		d.t.Errorf("with pairs: %v", p)
	}
	d.light("demo:low=100,high=800,yaw_rate=300")
	next, end := d.watch(&facetdv1.MotionStart{Estimates: 1, Overflow: facetdv1.Overflow_OVERFLOW_QUEUE})
	defer end()
	var yaw []float64
	sets, chips := 0, 0
	for ; len(yaw) < 30 && sets < 400; sets++ {
		e := next().GetEstimate()
		for _, c := range e.GetChips() {
			if c.GetReason() == 0 && c.GetPreviousJob() == e.GetJob() && c.GetIntervalNs() > 11e6 &&
				c.GetIntervalNs() < 13e6 {
				chips++
			}
		}
		if b := e.GetBody(); b.GetTold() && b.GetRotationOnly() {
			yaw = append(yaw, b.GetRateRadPerS()[2])
		}
	}
	slices.Sort(yaw)
	if len(yaw) < 30 || chips < 60 {
		d.t.Fatalf("%d sets of pairs tell %d turns, of %d chips", sets, len(yaw), chips)
	}
	d.t.Logf("pairs: yaw rate %.4f to %.4f, median %.4f, want %.4f rad/s, in %d sets", yaw[0], yaw[29], yaw[15], turn,
		sets)
	if math.Abs(yaw[15]/turn-1) > 0.01 || math.Abs(yaw[5]/turn-1) > 0.03 || math.Abs(yaw[24]/turn-1) > 0.03 {
		d.t.Errorf("yaw rate %.4f, of most from %.4f to %.4f, want %.4f rad/s", yaw[15], yaw[5], yaw[24], turn)
	}
}

// TestStreamsAreChecked: what a stream is not to be is refused before it begins, with all that is wrong.
func TestStreamsAreChecked(t *testing.T) {
	t.Parallel()
	d := start(t, func(c *server.Setup) { c.Tasks = tasksFile(t, bedTask) })
	for _, c := range []struct {
		request *facetdv1.StreamMotionRequest
		code    codes.Code
		says    string
	}{
		{&facetdv1.StreamMotionRequest{}, codes.InvalidArgument, "start"},
		{&facetdv1.StreamMotionRequest{Request: &facetdv1.StreamMotionRequest_Start{Start: &facetdv1.MotionStart{
			Tasks: []string{"nobody"}}}}, codes.NotFound, "nobody"},
		{&facetdv1.StreamMotionRequest{Request: &facetdv1.StreamMotionRequest_Start{Start: &facetdv1.MotionStart{
			Chips: []string{"bed-9"}, QueueLength: 3,
			Estimates: 5000}}}, codes.InvalidArgument, "start.estimates: 5000"},
		{&facetdv1.StreamMotionRequest{Request: &facetdv1.StreamMotionRequest_Start{Start: &facetdv1.MotionStart{
			Overflow: 9}}}, codes.InvalidArgument, "overflow"},
	} {
		stream, err := facetdv1.NewMotionServiceClient(d.conn).StreamMotion(limited(t))
		if err == nil {
			err = stream.Send(c.request)
		}
		if err == nil {
			_, err = stream.Recv()
		}
		if status.Code(err) != c.code || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %v, want %v with %q", c.request, err, c.code, c.says)
		}
	}
}

// TestClientReads: a program reads estimates one after another; those of raw frames say why they tell nothing, and a
// task that is not there ends the reading with an error.
func TestClientReads(t *testing.T) {
	t.Parallel()
	d := start(t, func(c *server.Setup) { c.Tasks = tasksFile(t, bedTask) })
	client, err := facet.Connect(d.address, facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	last, n := uint64(0), 0
	for e, err := range client.Motion(limited(t), facet.MotionOptions{Tasks: []string{"bed"}}) {
		if err != nil {
			t.Fatal(err)
		}
		c := e.GetChips()[0]
		if e.GetTask() != "bed" || c.GetChip() != "bed-0" || n > 0 && e.GetJob() <= last || e.GetBody().GetTold() ||
			c.GetReason() != facetdv1.MotionReason_MOTION_REASON_NOT_CORRECTED || c.GetMeanCodes() == 0 {
			t.Fatalf("after job %d: %v", last, e)
		}
		if last, n = e.GetJob(), n+1; n == 5 {
			break
		}
	}
	if n != 5 {
		t.Errorf("%d estimates", n)
	}
	refused := 0
	for e, err := range client.Motion(limited(t), facet.MotionOptions{Tasks: []string{"nobody"}}) {
		if err == nil {
			t.Errorf("of a task that is not there: %v", e)
		}
		refused++
	}
	if refused != 1 {
		t.Errorf("a task that is not there: %d errors", refused)
	}
}

// TestOnlookersAreSentTheNewest: a stream without grants sends an estimate of each task so often as is asked for, and a
// sign of life where there is none; what it cannot be is refused.
func TestOnlookersAreSentTheNewest(t *testing.T) {
	t.Parallel()
	d := start(t, func(c *server.Setup) { c.Tasks = tasksFile(t, bedTask) })
	client := facetdv1.NewMotionServiceClient(d.conn)
	stream, err := client.WatchMotion(limited(t), &facetdv1.WatchMotionRequest{Tasks: []string{"bed"},
		Chips: []string{"bed-1"}, LeastInterval: durationpb.New(200 * time.Millisecond)})
	if err != nil {
		t.Fatal(err)
	}
	var last int64
	for n := 0; n < 8; {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		e := m.GetEstimate()
		if e == nil {
			continue
		}
		if len(e.GetChips()) != 1 || e.GetChips()[0].GetChip() != "bed-1" || m.GetBusNs() < e.GetFinishBusNs() {
			t.Errorf("estimate %v at %d", e, m.GetBusNs())
		}
		if since := e.GetFinishBusNs() - last; n > 0 && since < 200e6 {
			t.Errorf("an estimate comes %d ns after the one before", since)
		}
		last, n = e.GetFinishBusNs(), n+1
	}
	for _, c := range []struct {
		request *facetdv1.WatchMotionRequest
		code    codes.Code
		says    string
	}{
		{&facetdv1.WatchMotionRequest{Tasks: []string{"nobody"}}, codes.NotFound, "nobody"},
		{&facetdv1.WatchMotionRequest{Chips: []string{"bed-9"}}, codes.InvalidArgument, "chips[0]: no chip"},
		{&facetdv1.WatchMotionRequest{LeastInterval: durationpb.New(-1)}, codes.InvalidArgument,
			"least_interval: -1ns"},
	} {
		stream, err := client.WatchMotion(limited(t), c.request)
		if err == nil {
			_, err = stream.Recv()
		}
		if status.Code(err) != c.code || !strings.Contains(err.Error(), c.says) ||
			strings.Contains(err.Error(), "start.") {
			t.Errorf("%v: %v, want %v with %q", c.request, err, c.code, c.says)
		}
	}
}
