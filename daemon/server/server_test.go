package server

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/api/framedigest"
	"facetd.example/daemon/config"
)

// process is a running server.
type process struct {
	*Server
	t    *testing.T
	stop func() error // stops it and waits
}

func start(t *testing.T, c Setup) *process {
	t.Helper()
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	p := &process{Server: s, t: t}
	p.stop = sync.OnceValue(func() error {
		cancel()
		select {
		case err := <-ended:
			return err
		case <-time.After(patience):
			return fmt.Errorf("still running %v after the stop", patience)
		}
	})
	t.Cleanup(func() {
		if err := p.stop(); err != nil {
			t.Errorf("run ended with %v", err)
		}
	})
	return p
}

func (p *process) dial(address string) *grpc.ClientConn {
	p.t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() { conn.Close() })
	return conn
}

func (p *process) get(path string) (int, string) {
	p.t.Helper()
	resp, err := http.Get("http://" + p.Addresses().HTTP + path)
	if err != nil {
		p.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return resp.StatusCode, string(body)
}

// metric is the value of a series, or NaN.
func (p *process) metric(series string) float64 {
	p.t.Helper()
	_, text := p.get("/metrics")
	for line := range strings.Lines(text) {
		if rest, is := strings.CutPrefix(line, series+" "); is {
			v, err := strconv.ParseFloat(strings.TrimSpace(rest), 64)
			if err != nil {
				p.t.Fatal(err)
			}
			return v
		}
	}
	return math.NaN()
}

// patience is how long tests wait for what comes within a second or two on a machine of their own: nothing is measured
// by it.
const patience = 2 * time.Minute

// eventually polls: what is waited for happens on another goroutine in real time.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	look, late := time.NewTicker(5*time.Millisecond), time.After(patience)
	defer look.Stop()
	for !ok() {
		select {
		case <-look.C:
		case <-late:
			t.Fatalf("after %v still not: %s", patience, what)
		}
	}
}

func limited(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	t.Cleanup(cancel)
	return ctx
}

// The demo as a whole, over real sockets: streams, changes of tasks, metrics, health
// and the end.
func TestDemoEndToEnd(t *testing.T) {
	t.Parallel()
	c := quick()
	c.Scene = config.DefaultScene
	c.Listen.Unix = filepath.Join(t.TempDir(), "s")
	p := start(t, c)
	conn := p.dial("unix:" + p.Addresses().Unix)

	eventually(t, "the timetable runs", func() bool { code, _ := p.get("/healthz"); return code == 200 })
	health, err := grpc_health_v1.NewHealthClient(p.dial(p.Addresses().GRPC)).Check(limited(t),
		&grpc_health_v1.HealthCheckRequest{})
	if err != nil || health.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
		t.Errorf("health over TCP: %v %v", health, err)
	}
	stream, err := followtest.Open(limited(t), conn, &facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{
		Tasks: []string{"wall"}, Chips: []string{p.Array().ChipNames(p.Array().Group("wall"))[2]}}})
	if err != nil {
		t.Fatal(err)
	}
	m, err := stream.Recv()
	if err != nil || m.GetFrameSet().GetTask() != "wall" || len(m.GetFrameSet().GetFrames()) != 1 ||
		m.GetFrameSet().GetFailure() != "" || len(m.GetFrameSet().GetFrames()[0].GetData()) == 0 {
		t.Fatalf("first frame set %v, %v", m, err)
	}
	ended := make(chan error, 1)
	go func() { ended <- stream.Drain() }() // keeps reading, as a client should
	testTaskChange(t, p, conn)

	changed := p.Status().GetBusNs()
	eventually(t, "four bus seconds", func() bool { return p.Status().GetBusNs() > changed+4e9 })
	for _, task := range p.Status().GetTasks() {
		label := fmt.Sprintf("{task=%q}", task.GetTask().GetName())
		planned, achieved := p.metric("facetd_task_planned_rate_hertz"+label),
			p.metric("facetd_task_achieved_rate_hertz"+label)
		if !(math.Abs(achieved-planned) <= 0.01*planned) {
			t.Errorf("%s: achieved %v Hz, planned %v", label, achieved, planned)
		}
		if misses := p.metric("facetd_deadline_misses_total" + label); misses != 0 {
			t.Errorf("%s: %v deadlines missed", label, misses)
		}
	}
	// What the planner predicted against what the bus took.
	planned, measured := p.metric("facetd_planned_utilization_ratio"), p.metric("facetd_measured_utilization_ratio")
	if !(math.Abs(planned-measured) <= 0.005) {
		t.Errorf("utilization: planned %v, measured %v", planned, measured)
	}
	if n := p.Status().GetRuleViolations(); n != 0 {
		t.Errorf("%d rules violated: %v", n, p.Status().GetLastViolations())
	}
	_, page := p.get("/")
	for _, want := range []string{"<title>facetd</title>", `href="/metrics"`, `href="/healthz"`,
		`src="/page/main.mjs"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q:\n%s", want, page)
		}
	}
	if code, _ := p.get("/elsewhere"); code != 404 {
		t.Errorf("an unknown page: %d", code)
	}
	testEnd(t, p, ended)
}

// testTaskChange adds a task and removes it again, and follows its series.
func testTaskChange(t *testing.T, p *process, conn *grpc.ClientConn) {
	t.Helper()
	tasks := facetdv1.NewTaskServiceClient(conn)
	extra := &facetdv1.Task{Name: "extra", RateHz: 2,
		Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bed"}},
		Views:  []*facetdv1.View{{Window: &facetdv1.Window{Rows: 4, Columns: 4}}}}
	created, err := tasks.CreateTask(limited(t), &facetdv1.CreateTaskRequest{Task: extra})
	if err != nil || created.GetTask().GetStatus().GetPlannedRateHz() != 2 {
		t.Fatalf("create: %v %v", created, err)
	}
	const series = `facetd_jobs_total{outcome="on_time",task="extra"}`
	eventually(t, "jobs of the new task", func() bool { return p.metric(series) > 0 })
	if _, err := tasks.CreateTask(limited(t),
		&facetdv1.CreateTaskRequest{Task: extra}); status.Code(err) != codes.AlreadyExists {
		t.Errorf("the same again: %v", err)
	}
	if _, err := tasks.DeleteTask(limited(t), &facetdv1.DeleteTaskRequest{Name: "extra"}); err != nil {
		t.Fatal(err)
	}
	if v := p.metric(series); !math.IsNaN(v) {
		t.Errorf("the series of a removed task is still there: %v", v)
	}
}

// testEnd stops the daemon and looks at what is left.
func testEnd(t *testing.T, p *process, ended <-chan error) {
	t.Helper()
	begin, waits := time.Now(), starved()
	if err := p.stop(); err != nil {
		t.Errorf("run ended with %v", err)
	}
	if took, waited := time.Since(begin), waits(); took-waited > 1500*time.Millisecond {
		t.Errorf("going down took %v, of which the process waited %v", took, waited)
	}
	if err := <-ended; status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "asked to stop") {
		t.Errorf("the stream ended with %v", err)
	}
	if _, err := os.Lstat(p.Addresses().Unix); !os.IsNotExist(err) {
		t.Errorf("the socket is left behind: %v", err)
	}
	for _, address := range []string{p.Addresses().GRPC, p.Addresses().HTTP} {
		if conn, err := net.Dial("tcp", address); err == nil {
			conn.Close()
			t.Errorf("something still listens on %s", address)
		}
	}
	if st := p.Status().GetState(); st != facetdv1.State_STATE_STOPPING {
		t.Errorf("state %v after the end", st)
	}
}

// A run up to a bus time ends by itself, and everybody counts the same.
func TestStopAt(t *testing.T) {
	c := quick()
	c.StopAt = time.Second
	sets, frames := map[string]uint64{}, map[string]uint64{}
	c.JobEnded = func(fs *facetdv1.FrameSet) {
		sets[fs.GetTask()]++
		frames[fs.GetTask()] += uint64(len(fs.GetFrames()))
	}
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Run(limited(t)); err != nil {
		t.Fatal(err)
	}
	st := s.Status()
	if st.GetBusNs() < int64(time.Second)*9/10 || st.GetBusNs() > int64(time.Second)*11/10 || len(st.GetTasks()) != 4 {
		t.Errorf("ended at %d ns with %d tasks", st.GetBusNs(), len(st.GetTasks()))
	}
	for _, task := range st.GetTasks() {
		name, q := task.GetTask().GetName(), task.GetStatus()
		if jobs := q.GetJobsOnTime() + q.GetJobsLate() + q.GetJobsFailed(); jobs != sets[name] ||
			q.GetFrames() != frames[name] || jobs < uint64(task.GetTask().GetRateHz())-1 {
			t.Errorf("%s: status counts %d jobs and %d frames, the observer %d and %d", name, jobs, q.GetFrames(),
				sets[name], frames[name])
		}
	}
}

// Both paces give the same frame sets at the same bus times.
func TestPacesAgree(t *testing.T) {
	t.Parallel()
	sums := map[string]string{}
	for _, pace := range []string{config.Free, config.Realtime} {
		c := quick()
		c.Pace, c.Scene, c.Seed, c.StopAt = pace, config.DefaultScene, 9, 400*time.Millisecond
		c.MaxLag = 0 // what is compared is what the bus does, not how busy the machine is
		d := framedigest.New()
		c.JobEnded = d.Add
		s, err := New(c)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Run(limited(t)); err != nil {
			t.Fatal(err)
		}
		if d.Sets() < 20 {
			t.Errorf("%s: only %d frame sets", pace, d.Sets())
		}
		sums[pace] = d.Sum()
	}
	if sums[config.Free] != sums[config.Realtime] {
		t.Errorf("the paces differ: %v", sums)
	}
}

// starved measures how long this process waits for a processor, on a machine that others keep busy, until it is asked.
func starved() (until func() time.Duration) {
	const every = 5 * time.Millisecond
	over, sum := make(chan struct{}), make(chan time.Duration)
	go func() {
		look, last, waited := time.NewTicker(every), time.Now(), time.Duration(0)
		defer look.Stop()
		for {
			select {
			case <-look.C:
			case <-over:
				sum <- waited
				return
			}
			if late := time.Since(last) - every; late > every {
				waited += late
			}
			last = time.Now()
		}
	}()
	return func() time.Duration { close(over); return <-sum }
}

// On the wall clock the daemon also goes down within a second in which it can run, and fails no job
// that it can finish.
func TestRealtimeStop(t *testing.T) {
	c := quick()
	c.Pace = config.Realtime
	p := start(t, c)
	eventually(t, "the first jobs",
		func() bool { return p.metric(`facetd_jobs_total{outcome="on_time",task="bow"}`) >= 3 })
	begin, waits := time.Now(), starved()
	if err := p.stop(); err != nil {
		t.Error(err)
	}
	if took, waited := time.Since(begin), waits(); took-waited > time.Second {
		t.Errorf("going down took %v, of which the process waited %v", took, waited)
	}
}

// A daemon without tasks or HTTP runs and ends too.
func TestNoTasks(t *testing.T) {
	c := quick()
	c.Tasks, c.Listen.HTTP = config.None, ""
	p := start(t, c)
	conn := p.dial(p.Addresses().GRPC)
	eventually(t, "it runs", func() bool { return p.Status().GetState() == facetdv1.State_STATE_RUNNING })
	if list, err := facetdv1.NewTaskServiceClient(conn).ListTasks(limited(t),
		&facetdv1.ListTasksRequest{}); err != nil || len(list.GetTasks()) != 0 {
		t.Errorf("tasks %v %v", list, err)
	}
	target := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bed"}}
	shot, err := facetdv1.NewFrameServiceClient(conn).CaptureFrames(limited(t),
		&facetdv1.CaptureFramesRequest{Target: target})
	if err != nil || len(shot.GetFrameSet().GetFrames()) != 4 {
		t.Errorf("capture %v %v", shot.GetFrameSet().GetFailure(), err)
	}
}

// Whoever sends headers without end is cut off.
func TestHTTPHeadersAreBounded(t *testing.T) {
	p := start(t, quick())
	conn, err := net.Dial("tcp", p.Addresses().HTTP)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintf(conn, "GET /metrics HTTP/1.1\r\nHost: x\r\nX: %s\r\n\r\n", strings.Repeat("x", 4*HTTPHeaderBytes))
	line, err := bufio.NewReader(conn).ReadString('\n')
	if !regexp.MustCompile(`^HTTP/1\.1 431 `).MatchString(line) {
		t.Errorf("got %q %v", line, err)
	}
	if h := p.http; h.ReadHeaderTimeout == 0 || h.ReadTimeout == 0 || h.WriteTimeout == 0 || h.IdleTimeout == 0 {
		t.Error("the HTTP server lacks a time limit")
	}
}
