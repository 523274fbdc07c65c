package acceptance

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"

	"facetd.example/api/peertest"
)

var built struct {
	once sync.Once
	dir  string
	err  error
}

// version is stamped into the binaries as a release does it.
const version = "9.8.7-rc1"

// TestMain builds the binaries at most once, and removes them. Most tests here wait for
// processes of their own, some of them in real time.
func TestMain(m *testing.M) {
	if os.Getenv(bareEnv) != "" {
		serveBare()
		return
	}
	peertest.Parallel(8)
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		if built.dir != "" {
			os.RemoveAll(built.dir)
		}
		os.Exit(code)
	}))
}

// binary returns the path of a freshly built program: facetd or facetctl.
func binary(t testing.TB, name string) string {
	t.Helper()
	built.once.Do(func() {
		if built.dir, built.err = os.MkdirTemp("", "facetd"); built.err != nil {
			return
		}
		// Without what debuggers want linking takes a quarter of the time.
		build := exec.Command("go", "build", "-ldflags", "-s -w -X main.version="+version, "-o", built.dir,
			"facetd.example/daemon/facetd", "facetd.example/clients/facetctl")
		var out []byte
		if out, built.err = build.CombinedOutput(); built.err != nil {
			built.err = &buildError{string(out)}
		}
	})
	if built.err != nil {
		t.Fatal(built.err)
	}
	return filepath.Join(built.dir, name)
}

type buildError struct{ out string }

func (e *buildError) Error() string { return e.out }

// daemon is a running facetd.
type daemon struct {
	cmd        *exec.Cmd
	grpc, http string
	output     *bytes.Buffer
	done       chan error
}

var (
	grpcLine = regexp.MustCompile(`^gRPC\s+(\d+\.\d+\.\d+\.\d+:\d+)(?: \(TLS\))?$`)
	httpLine = regexp.MustCompile(`^metrics\s+(https?://\S+)/metrics$`)
)

// plain is light that takes no time to paint; the demo's own takes longer than all the rest of a start.
var plain = []string{"--scene", "uniform:200"}

// start runs facetd on free ports, in plain light unless the arguments say what there is to
// see, and waits until it has printed its addresses. However busy the machine is, no job is
// refused for it, unless the arguments bring a configuration or say how far the host may lag.
func start(t testing.TB, args ...string) *daemon {
	t.Helper()
	return startIn(t, nil, args...)
}

// startIn is start with more in the daemon's environment.
func startIn(t testing.TB, environment []string, args ...string) *daemon {
	t.Helper()
	d := &daemon{done: make(chan error, 1), output: &bytes.Buffer{}}
	all := []string{"--listen", "127.0.0.1:0", "--http", "127.0.0.1:0", "--log-level", "warn"}
	said := func(flags ...string) bool {
		return slices.ContainsFunc(args, func(a string) bool { return slices.Contains(flags, a) })
	}
	if !said("--array", "--bus", "--config", "--scene") {
		all = append(all, plain...)
	}
	if !said("--bus", "--config") {
		all = append(all, "--max-lag", "0s")
	}
	d.cmd = exec.Command(binary(t, "facetd"), append(all, args...)...)
	d.cmd.Env = append(os.Environ(), environment...)
	d.cmd.Stderr = d.output
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	exited := make(chan struct{})
	t.Cleanup(func() { // its folder is removed next: nobody may write into it any more
		d.cmd.Process.Kill()
		<-exited
	})
	lines := bufio.NewScanner(out)
	for (d.grpc == "" || d.http == "") && lines.Scan() {
		if m := grpcLine.FindStringSubmatch(lines.Text()); m != nil {
			d.grpc = m[1]
		}
		if m := httpLine.FindStringSubmatch(lines.Text()); m != nil {
			d.http = m[1]
		}
	}
	if d.grpc == "" || d.http == "" {
		close(exited)
		t.Fatalf("facetd printed no addresses; its errors: %s", d.output)
	}
	go func() {
		io.Copy(io.Discard, out)
		d.done <- d.cmd.Wait()
		close(exited)
	}()
	return d
}

// patience is how long tests wait for what comes within a second on a machine of their own: nothing is measured by it.
const patience = 2 * time.Minute

// stop asks the daemon to end and returns how it did.
func (d *daemon) stop(t *testing.T) error {
	t.Helper()
	if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-d.done:
		return err
	case <-time.After(patience):
		t.Fatalf("the daemon did not end within %v of SIGTERM", patience)
	}
	return nil
}

func run(t *testing.T, program string, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := exec.Command(program, args...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %s: %v\n%s%s", filepath.Base(program), strings.Join(args, " "), err, out.String(), errs.String())
	}
	return out.String()
}

// TestGenericClient drives the daemon with grpcurl, which knows nothing of facetd:
// reflection, health, a task created, streamed and deleted, and a refusal.
func TestGenericClient(t *testing.T) {
	t.Parallel()
	grpcurl := peertest.Program(t, "grpcurl")
	d := start(t)
	call := func(args ...string) string {
		return run(t, grpcurl, append([]string{"-plaintext", "-max-time", "20"}, args...)...)
	}
	services := call(d.grpc, "list")
	for _, want := range []string{"ArrayService", "TaskService", "PlanService", "FrameService", "CommandService",
		"StatusService"} {
		if !strings.Contains(services, "facetd.v1."+want) {
			t.Errorf("reflection does not list %s:\n%s", want, services)
		}
	}
	if got := call(d.grpc, "grpc.health.v1.Health/Check"); !strings.Contains(got, "SERVING") ||
		strings.Contains(got, "NOT_SERVING") {
		t.Errorf("health: %s", got)
	}
	call("-d", `{"task":{"name":"crown","target":{"group":"crown"},"rate_hz":10,"views":[{"smoothing_steps":4}]}}`,
		d.grpc, "facetd.v1.TaskService/CreateTask")
	if got := call(d.grpc, "facetd.v1.TaskService/ListTasks"); !strings.Contains(got, `"crown"`) {
		t.Errorf("the created task is not listed: %s", got)
	}
	sets := stream(t, grpcurl, d.grpc, 3)
	for i, fs := range sets {
		if fs.Task != "crown" || len(fs.Frames) != 4 || fs.Frames[0].PixelFormat != "Mono16" ||
			len(fs.Frames[0].Data) != 40*40*2 {
			t.Errorf("set %d: task %q, %d frames", i, fs.Task, len(fs.Frames))
		}
	}
	call("-d", `{"name":"crown"}`, d.grpc, "facetd.v1.TaskService/DeleteTask")
	out, err := exec.Command(grpcurl, "-plaintext", "-d",
		`{"task":{"name":"more","target":{"group":"wall"},"rate_hz":100}}`, d.grpc,
		"facetd.v1.TaskService/CreateTask").CombinedOutput()
	if err == nil || !strings.Contains(string(out), "FailedPrecondition") ||
		!strings.Contains(string(out), "facetd.v1.Refusal") {
		t.Errorf("too much was not refused with its numbers: %v\n%s", err, out)
	}
	if err := d.stop(t); err != nil {
		t.Errorf("SIGTERM: %v\n%s", err, d.output)
	}
}

type frameSet struct {
	Task   string `json:"task"`
	Frames []struct {
		Chip        string `json:"chip"`
		PixelFormat string `json:"pixelFormat"`
		Data        []byte `json:"data"`
	} `json:"frames"`
}

// stream reads n frame sets of the task crown from a generic client's output.
func stream(t *testing.T, grpcurl, address string, n int) []frameSet {
	t.Helper()
	cmd := exec.Command(grpcurl, "-plaintext", "-d", "@", address, "facetd.v1.FrameService/FollowFrameSets")
	in, err := cmd.StdinPipe() // the stream ends where its input does
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Wait()
	defer cmd.Process.Kill()
	if _, err := io.WriteString(in, `{"start":{"selection":{"tasks":["crown"]},"overflow":"OVERFLOW_QUEUE"}}
		{"grant":{"frameSets":`+strconv.Itoa(n)+`}}`+"\n"); err != nil {
		t.Fatal(err)
	}
	var sets []frameSet
	dec := json.NewDecoder(out)
	for len(sets) < n {
		var msg struct {
			Delivery *struct {
				FrameSet frameSet `json:"frameSet"`
			} `json:"delivery"`
		}
		if err := dec.Decode(&msg); err != nil {
			t.Fatalf("after %d sets: %v", len(sets), err)
		}
		if msg.Delivery != nil { // and not the beginning, or a heartbeat
			sets = append(sets, msg.Delivery.FrameSet)
		}
	}
	return sets
}

// TestMetricsOfARunningDaemon gives the exposition of a real daemon to promtool.
func TestMetricsOfARunningDaemon(t *testing.T) {
	t.Parallel()
	promtool := peertest.Program(t, "promtool")
	d := start(t)
	resp, err := http.Get(d.http + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil || !bytes.Contains(text, []byte("facetd_bus_busy_seconds_total")) {
		t.Fatalf("%v: %.300s", err, text)
	}
	cmd := exec.Command(promtool, "check", "metrics")
	cmd.Stdin = bytes.NewReader(text)
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool: %v\n%s", err, out)
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
}

// summary is what a run to a bus time prints.
type summary struct {
	SHA256 string `json:"sha256"`
	Tasks  []struct {
		Name     string  `json:"name"`
		Planned  float64 `json:"planned_rate_hz"`
		Achieved float64 `json:"achieved_rate_hz"`
		Late     int     `json:"jobs_late"`
		Failed   int     `json:"jobs_failed"`
	} `json:"tasks"`
	Violations int `json:"rule_violations"`
}

func runFor(t *testing.T, pace, seed string) (summary, string) {
	t.Helper()
	span := peertest.Cases(time.Second, 3*time.Second)
	out := run(t, binary(t, "facetd"), "--run-for", span.String(), "--max-lag", "0s", "--pace", pace, "--seed", seed,
		"--listen", "127.0.0.1:0", "--http", "127.0.0.1:0", "--log-level", "error", "--output", "json")
	var s summary
	if err := json.Unmarshal([]byte(out), &s); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return s, out
}

// TestPacesGiveEqualFrames: one seed gives the same frames at the same bus times in
// real time and as fast as the machine can, another seed others.
func TestPacesGiveEqualFrames(t *testing.T) {
	t.Parallel()
	free, text := runFor(t, "free", "11")
	again, _ := runFor(t, "free", "11")
	live, _ := runFor(t, "realtime", "11")
	other, _ := runFor(t, "free", "12")
	if free.SHA256 == "" || free.SHA256 != again.SHA256 || free.SHA256 != live.SHA256 {
		t.Errorf("digests %s, %s free and %s in real time", free.SHA256, again.SHA256, live.SHA256)
	}
	if other.SHA256 == free.SHA256 {
		t.Error("two seeds give one digest")
	}
	if len(free.Tasks) != 4 || free.Violations != 0 {
		t.Fatalf("%d tasks, %d rules violated: %s", len(free.Tasks), free.Violations, text)
	}
	for _, task := range live.Tasks {
		if task.Late+task.Failed > 0 || task.Achieved < 0.99*task.Planned || task.Achieved > 1.01*task.Planned {
			t.Errorf("%+v", task)
		}
	}
}
