package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/config"
	"facetd.example/daemon/supervise"
	"facetd.example/deploy"
	"facetd.example/scheduler"
)

// site is a folder with a configuration and its files.
type site struct {
	t   *testing.T
	dir string
}

func newSite(t *testing.T) *site {
	s := &site{t, t.TempDir()}
	s.write("array.yaml", string(deploy.CrawlerArray))
	s.write("tasks.yaml", siteTasks(10, "bow"))
	s.config("")
	return s
}

func (s *site) write(name, text string) {
	s.t.Helper()
	if err := os.WriteFile(filepath.Join(s.dir, name), []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
}

// config writes a configuration with further fields.
func (s *site) config(more string) {
	s.t.Helper()
	text := "array: array.yaml\ntasks: tasks.yaml\npace: free\nlisten: {grpc: '127.0.0.1:0', http: '127.0.0.1:0'}\n"
	if !strings.Contains(more, "scene:") {
		text += "scene: uniform:200\n"
	}
	s.write("facetd.yaml", text+more)
}

// read reads the configuration as the command does.
func (s *site) read() (config.Config, error) {
	name := filepath.Join(s.dir, "facetd.yaml")
	data, err := os.ReadFile(name)
	if err != nil {
		return config.Config{}, err
	}
	c, m := config.Parse(name, data)
	if len(m) > 0 {
		return c, m
	}
	return c, nil
}

func (s *site) start() *process {
	s.t.Helper()
	c, err := s.read()
	if err != nil {
		s.t.Fatal(err)
	}
	return start(s.t, Setup{Config: c, Version: "1.2.3", Logger: zap.NewNop()})
}

func siteTasks(rate float64, groups ...string) string {
	text := "tasks:\n"
	for _, g := range groups {
		text += fmt.Sprintf("  - {name: %s, target: {group: %s}, rate_hz: %g}\n", g, g, rate)
	}
	return text
}

// running are the tasks with their rates.
func (p *process) running() string {
	var out []string
	for _, t := range p.Status().GetTasks() {
		out = append(out, fmt.Sprintf("%s %g", t.GetTask().GetName(), t.GetTask().GetRateHz()))
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

func (p *process) lastEvent() *facetdv1.Event {
	p.t.Helper()
	r, err := facetdv1.NewEventServiceClient(p.dial(p.Addresses().GRPC)).ListEvents(limited(p.t),
		&facetdv1.ListEventsRequest{
			Filter: &facetdv1.EventFilter{Kinds: []facetdv1.EventKind{facetdv1.EventKind_EVENT_KIND_CONFIGURATION}},
		})
	if err != nil || len(r.GetEvents()) == 0 {
		p.t.Fatalf("%v %v", r, err)
	}
	return r.GetEvents()[len(r.GetEvents())-1]
}

// What can change under way does, and nothing of the rest.
func TestReload(t *testing.T) {
	s := newSite(t)
	p := s.start()
	conn := p.dial(p.Addresses().GRPC)
	tasks, scenes := facetdv1.NewTaskServiceClient(conn), facetdv1.NewSceneServiceClient(conn)
	eventually(t, "the tasks run", func() bool { return p.running() == "bow 10" })
	reload := func(says string) {
		t.Helper()
		if err := p.Reload(limited(t), s.read); err != nil {
			t.Fatal(err)
		}
		if e := p.lastEvent(); e.GetSeverity() != facetdv1.Severity_SEVERITY_INFO ||
			!strings.Contains(e.GetText(), says) {
			t.Errorf("event %v, want %q", e, says)
		}
	}
	reload("nothing differs")

	// A task of the API stays, the difference of the file is made.
	other := &facetdv1.Task{Name: "look", Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bed"}},
		RateHz: 3}
	if _, err := tasks.CreateTask(limited(t), &facetdv1.CreateTaskRequest{Task: other}); err != nil {
		t.Fatal(err)
	}
	s.write("tasks.yaml", siteTasks(5, "bow", "bed"))
	reload("tasks added bed, changed bow")
	if got := p.running(); got != "bed 5, bow 5, look 3" {
		t.Errorf("running: %s", got)
	}
	s.write("tasks.yaml", siteTasks(5, "bed"))
	reload("tasks removed bow")
	if got := p.running(); got != "bed 5, look 3" {
		t.Errorf("running: %s", got)
	}

	s.config("scene: uniform:3\nlog: {level: debug}\n")
	reload("log level debug; scene uniform:3")
	if got, err := scenes.GetScene(limited(t), &facetdv1.GetSceneRequest{}); err != nil ||
		got.GetEnvironment().GetScene() != "uniform:3" {
		t.Errorf("%v %v", got, err)
	}
	if p.level.Level() != zapcore.DebugLevel {
		t.Errorf("level %v", p.level)
	}
	reload("nothing differs")

	// The scene of the API stays as long as the file's is the same.
	if _, err := scenes.SetScene(limited(t), &facetdv1.SetSceneRequest{Scene: "uniform:77"}); err != nil {
		t.Fatal(err)
	}
	reload("nothing differs")
	if got, err := scenes.GetScene(limited(t), &facetdv1.GetSceneRequest{}); err != nil ||
		got.GetEnvironment().GetScene() != "uniform:77" {
		t.Errorf("%v %v", got, err)
	}
}

// What is wrong or cannot change is refused whole: neither the level of the log nor
// the scene nor a task changes, although they differ too.
func TestReloadRefusesWhole(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct {
		change func(*site)
		says   string
		is     any // a type of error
	}{
		"no file": {func(s *site) { os.Remove(filepath.Join(s.dir, "facetd.yaml")) }, "no such file", nil},
		"no YAML": {func(s *site) { s.write("facetd.yaml", "{") }, "facetd.yaml", new(invalid.Errors)},
		"another seed": {func(s *site) { s.config("seed: 7\nscene: uniform:9\nlog: {level: debug}\n") },
			`seed: cannot change from "1" to "7"`, new(invalid.Errors)},
		"another folder": {func(s *site) { s.config("data: elsewhere\nscene: uniform:9\nlog: {level: debug}\n") },
			"data: cannot change", new(invalid.Errors)},
		"another format": {func(s *site) { s.config("scene: uniform:9\nlog: {level: debug, format: json}\n") },
			"log.format: cannot change", new(invalid.Errors)},
		"a recording": {func(s *site) { s.config("bus: 'replay:a.mcap'\n") }, "bus: cannot change",
			new(invalid.Errors)},
		"another array": {func(s *site) {
			s.write("array.yaml", strings.Replace(string(deploy.CrawlerArray), "culvert-crawler", "culvert-crawler-2",
				1))
		}, "another array", new(invalid.Errors)},
		"a wrong level": {func(s *site) { s.config("scene: uniform:9\nlog: {level: loud}\n") }, "log.level",
			new(invalid.Errors)},
		"a wrong scene": {func(s *site) { s.config("scene: moonlight\nlog: {level: debug}\n") }, "moonlight",
			new(invalid.Errors)},
		"no tasks": {func(s *site) { os.Remove(filepath.Join(s.dir, "tasks.yaml")) }, "tasks.yaml",
			new(invalid.Errors)},
		"wrong tasks": {func(s *site) { s.write("tasks.yaml", siteTasks(10, "bow", "nobody")) }, "tasks.yaml:3",
			new(invalid.Errors)},
		"tasks that are too": {func(s *site) { s.write("tasks.yaml", siteTasks(900, "bow", "wall")) }, "",
			new(*scheduler.RefusalError)},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSite(t)
			p := s.start()
			eventually(t, "the tasks run", func() bool { return p.running() == "bow 10" })
			// These would change; the case may write over it.
			s.config("scene: uniform:9\nlog: {level: debug}\n")
			test.change(s)
			err := p.Reload(limited(t), s.read)
			if err == nil || !strings.Contains(err.Error(), test.says) || test.is != nil && !errors.As(err, test.is) {
				t.Errorf("%v, want %q as %T", err, test.says, test.is)
			}
			got, sceneErr := facetdv1.NewSceneServiceClient(p.dial(p.Addresses().GRPC)).GetScene(limited(t),
				&facetdv1.GetSceneRequest{})
			if p.running() != "bow 10" || p.level.Level() != zapcore.InfoLevel || sceneErr != nil ||
				got.GetEnvironment().GetScene() != "uniform:200" {
				t.Errorf("after it: %s, level %v, %v %v", p.running(), p.level, got, sceneErr)
			}
			if e := p.lastEvent(); e.GetSeverity() != facetdv1.Severity_SEVERITY_WARNING ||
				!strings.Contains(e.GetText(), "refused") {
				t.Errorf("event %v", e)
			}
			// What was refused is no part of what the next reload compares with.
			s.config("log: {level: warn}\n")
			s.write("array.yaml", string(deploy.CrawlerArray))
			s.write("tasks.yaml", siteTasks(10, "bow"))
			if err := p.Reload(limited(t), s.read); err != nil || p.level.Level() != zapcore.WarnLevel ||
				p.running() != "bow 10" {
				t.Errorf("the next reload: %v, level %v, %s", err, p.level, p.running())
			}
		})
	}
}

// told is the other end of the service manager's socket: the assignments of each
// datagram, as they come.
func told(t *testing.T, watchdog time.Duration) (m *supervise.Manager, next func() map[string]string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "n")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { socket.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", fmt.Sprint(watchdog.Microseconds()))
	return supervise.FromEnvironment(zap.NewNop()), func() map[string]string {
		t.Helper()
		buf := make([]byte, 4096)
		_ = socket.SetReadDeadline(time.Now().Add(patience))
		n, err := socket.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]string{}
		for _, assignment := range strings.Split(string(buf[:n]), "\n") {
			name, value, _ := strings.Cut(assignment, "=")
			got[name] = value
		}
		return got
	}
}

// The service manager hears of the daemon in order, over a real socket: ready once the
// table runs, alive while it does, reloading and ready again, stopping.
func TestTheServiceManagerIsTold(t *testing.T) {
	m, next := told(t, 300*time.Millisecond)
	until := func(what string) map[string]string {
		t.Helper()
		for {
			if got := next(); got[what] == "1" {
				return got
			}
		}
	}
	s := newSite(t)
	c, err := s.read()
	if err != nil {
		t.Fatal(err)
	}
	p := start(t, Setup{Config: c, Logger: zap.NewNop(), Supervisor: m})
	if got := next(); got["READY"] != "1" || !strings.HasPrefix(got["STATUS"], "runs culvert-crawler, tasks 1") {
		t.Errorf("at the start: %v", got)
	}
	until("WATCHDOG")
	s.config("log: {level: debug}\n")
	if err := p.Reload(context.Background(), s.read); err != nil {
		t.Fatal(err)
	}
	if got := until("RELOADING"); got["MONOTONIC_USEC"] == "" {
		t.Errorf("reloading: %v", got)
	}
	until("READY")
	if err := p.stop(); err != nil {
		t.Fatal(err)
	}
	if got := until("STOPPING"); !strings.Contains(got["STATUS"], "asked to stop") {
		t.Errorf("stopping: %v", got)
	}
}

// The watchdog of a real bus goroutine: fed while it runs, not while its driver hangs,
// and again when the bus was given up, which is a known end with every line inactive.
func TestTheWatchdogOfAHangingBus(t *testing.T) {
	m, next := told(t, 150*time.Millisecond)
	c := quick()
	c.Supervisor = m
	f := withFailing(&c)
	p, cancel, ended := run(t, c)
	// until skips what was on its way.
	until := func(what string, ok func(map[string]string) bool) {
		t.Helper()
		for range 50 {
			if ok(next()) {
				return
			}
		}
		t.Errorf("not in 50 messages: %s", what)
	}
	fed := func(got map[string]string) bool { return got["WATCHDOG"] == "1" }
	until("alive", fed)
	f.hung.Store(true)
	until("not alive", func(got map[string]string) bool {
		return got["WATCHDOG"] == "" && strings.Contains(got["STATUS"], "not alive: the bus does not go on")
	})
	for range 3 {
		if got := next(); fed(got) {
			t.Errorf("a hanging bus feeds the watchdog: %v", got)
		}
	}
	f.broken.Store(true)
	f.hung.Store(false)
	close(f.unhang)
	until("given up", func(got map[string]string) bool {
		return fed(got) && strings.HasPrefix(got["STATUS"], "the bus was given up: ")
	})
	if f.releases.Load() == 0 || p.Status().GetState() != facetdv1.State_STATE_FAULT {
		t.Errorf("%d releases, %v", f.releases.Load(), p.Status().GetState())
	}
	cancel()
	if err := <-ended; err == nil {
		t.Error("a broken bus ended well")
	}
}
