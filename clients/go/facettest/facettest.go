// Package facettest runs an array of image-sensor chips within a test: the real daemon
// on its virtual bus, in memory, in virtual time. The programs under test need no
// hardware and no open port, and see the same array every time.
//
//	func TestFollowsTheWall(t *testing.T) {
//		c := facettest.Start(t, facettest.Demo, facettest.Demo)
//		for set, err := range c.FrameSets(t.Context(), facet.StreamOptions{Tasks: []string{"wall"}}) {
//			...
//		}
//	}
//
// # Time
//
// Bus time stands still while the program under test works, and moves to the end of the
// next job once every stream of the client waits for a frame set: nothing is ever
// dropped, however slow the program is, and equal seeds give equal frame sets, with equal
// job numbers and times, from the first one on. The client's clock (facet.Options.Now) is
// that of the bus, so that ages of frames are those in virtual time.
//
// Calls that need bus time, such as captures and changes of tasks, let it move too, a job
// at a time, until they are answered; how many jobs that takes may differ by some from run
// to run. While streams are open and not read, their frame sets are dropped meanwhile, as
// on a real array; ask for a queue where that matters. Without tasks bus time stands still
// but for those calls.
//
// Times are the same in every run: UTC is 2000-01-01 at the start of the bus, and nothing is uncertain. With the names
// of the daemon, its run and its journal, which follow from the seed, equal seeds give messages that are equal byte for
// byte, as long as the calls are.
//
// A stream that nobody reads while another waits lets bus time stand still: it is named in the test's log.
//
// # Programs in other languages
//
// With Config.Listen the array is served at an address too, and bus time is in lockstep: it goes only as far as all
// participants of LockstepService allow, which Array.Advance is one of once it was called. Calls and streams of the
// Client then let nothing move.
//
// It is the one client package that imports the daemon, since it runs it.
package facettest

import (
	"cmp"
	"context"
	"fmt"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"facetd.example/clients/go/facet"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

// Source is an array, or tasks, from somewhere.
type Source struct {
	name string
	text []byte
}

// Demo is the array, or the tasks, of the demo.
var Demo = Source{name: config.Demo}

// None is no tasks.
var None = Source{name: config.None}

// File is a YAML file.
func File(name string) Source { return Source{name: name} }

// YAML is the text of a file.
func YAML(text string) Source { return Source{name: "given.yaml", text: []byte(text)} }

// Message is an Array or a TaskList of the schema.
func Message(m proto.Message) Source {
	text, err := protojson.Marshal(m)
	if err != nil {
		text = []byte("# " + err.Error())
	}
	return Source{name: "message.yaml", text: text} // JSON is YAML
}

// Config describes an array under test.
type Config struct {
	// Array and Tasks; the zero Source is the demo's array, and no tasks.
	Array, Tasks Source
	// Scene is the light, as 'facetd serve --scene' reads it; empty means 200 lux
	// everywhere.
	Scene string
	// Seed of mismatch and noise; 0 means 1.
	Seed uint64
	// Log, where set, is the daemon's log.
	Log *zap.Logger
	// Listen is where programs in other languages find the array, 127.0.0.1:0 for instance, or unix:PATH; empty means
	// nowhere.
	Listen string
	// Unread is how long, in host time, a stream may be left unread while another waits before it is named; 0 means 5
	// s.
	Unread time.Duration
	// Data is a folder for recordings and correction maps; empty means none, or with Correct a temporary one.
	Data string
	// Correct are tasks whose correction maps are made before the array starts, under uniform illumination as an
	// operator would: programs that take corrected frames, or estimates of motion, need them.
	Correct []string
}

// Array is an array that runs until its test ends.
type Array struct {
	// Client is connected to it.
	Client *facet.Client

	t      testing.TB
	server *server.Server
	gate   *gate
	// lockstep says that there is no gate, and joined that Advance is a participant.
	lockstep, joined bool
}

// Start runs an array with tasks until the test ends, and returns a client of it.
func Start(t testing.TB, array, tasks Source) *facet.Client {
	t.Helper()
	return New(t, Config{Array: array, Tasks: tasks}).Client
}

// New runs an array until the test ends.
func New(t testing.TB, cfg Config) *Array {
	t.Helper()
	if len(cfg.Correct) > 0 {
		cfg.Data = cmp.Or(cfg.Data, t.TempDir())
		correct(t, cfg)
	}
	a, end := run(t, cfg)
	t.Cleanup(end)
	return a
}

// run runs an array until end is called.
func run(t testing.TB, cfg Config) (a *Array, end func()) {
	t.Helper()
	a, err := start(cfg)
	if err != nil {
		t.Fatalf("facettest: %v", err)
	}
	a.t = t
	a.gate.unread = cmp.Or(cfg.Unread, 5*time.Second)
	a.gate.warn = func(text string) { t.Log("facettest: " + text) }
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- a.server.Run(ctx) }()
	end = func() {
		a.gate.change(func() { a.gate.warn = func(string) {} })
		_ = a.Client.Close()
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("facettest: the array ended with %v", err)
		}
	}
	if a.lockstep {
		return a, end
	}
	select {
	case <-a.gate.begun:
	case <-time.After(10 * time.Second):
		end()
		t.Fatal("facettest: the array does not start")
	}
	return a, end
}

// start does what can fail.
func start(cfg Config) (*Array, error) {
	if cfg.Array.name == "" {
		cfg.Array = Demo
	}
	if cfg.Tasks.name == "" {
		cfg.Tasks = None
	}
	if cfg.Scene == "" {
		cfg.Scene = "uniform:200"
	}
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	a := &Array{gate: newGate()}
	listener := bufconn.Listen(1 << 20)
	c := server.Setup{Config: config.Default()}
	c.Array, c.Tasks, c.Scene, c.Pace, c.Seed, c.Data = cfg.Array.name, cfg.Tasks.name, cfg.Scene, config.Free,
		max(cfg.Seed, 1), cfg.Data
	c.Listen, c.Listener, c.Logger, c.Version = config.Listen{}, listener, cfg.Log, "facettest"
	c.Fixed = true
	if a.lockstep = cfg.Listen != ""; a.lockstep {
		c.Pace = config.Lockstep
		if path, unix := strings.CutPrefix(cfg.Listen, "unix:"); unix {
			c.Listen.Unix = path
		} else {
			c.Listen.GRPC = cfg.Listen
		}
	}
	if cfg.Array.text != nil {
		c.Array = "array: " + cfg.Array.name
	}
	if cfg.Tasks.text != nil {
		c.Tasks = "tasks: " + cfg.Tasks.name
	}
	c.ReadFile = func(name string) ([]byte, error) {
		switch {
		case name == c.Array && cfg.Array.text != nil:
			return cfg.Array.text, nil
		case name == c.Tasks && cfg.Tasks.text != nil:
			return cfg.Tasks.text, nil
		}
		return os.ReadFile(name)
	}
	interceptors := []grpc.DialOption{}
	if !a.lockstep {
		c.Pacer = a.gate.hold
		interceptors = append(interceptors, grpc.WithChainUnaryInterceptor(a.gate.unary),
			grpc.WithChainStreamInterceptor(a.gate.stream))
	}
	var err error
	if a.server, err = server.New(c); err != nil {
		return nil, err
	}
	a.Client, err = facet.Connect("passthrough:facettest", facet.Options{
		Clock: func() time.Time { _, host := a.server.Now(); return host },
		DialOptions: append(interceptors, grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) {
			return listener.DialContext(ctx)
		})),
	})
	if err != nil {
		_ = a.server.Close()
		return nil, err
	}
	return a, nil
}

// Now is the bus time: how long the array has run in virtual time.
func (a *Array) Now() time.Duration {
	at, _ := a.server.Now()
	return time.Duration(at)
}

// Advance lets bus time move on by d, to the end of a job, whether anybody reads or not; a test
// uses it to find out what happens when nobody does. It fails the test when no job ends for ten
// seconds of the host. With Config.Listen bus time moves on by exactly d, once the other participants allow it.
func (a *Array) Advance(d time.Duration) {
	a.t.Helper()
	if a.lockstep {
		a.advance(a.Now() + d)
		return
	}
	if err := a.gate.advance(a.Now()+d, 10*time.Second); err != nil {
		a.t.Fatalf("facettest: %v", err)
	}
}

// errStands says that bus time does not move.
func errStands(wanted, reached time.Duration) error {
	return fmt.Errorf("bus time stands still at %v and does not reach %v: "+
		"it moves with the jobs of tasks; are there any?", reached, wanted)
}
