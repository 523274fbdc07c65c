package bridgetest

import (
	"bufio"
	"cmp"
	"errors"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
)

// Mutants of the firmware, by their numbers in core.h.
const (
	RowTick = iota + 1
	RowMicrosecond
	Select
	Strobe
	Patterns
	Lanes
	Twice
	Release
	Mark
)

// built has the firmware of this test binary, by what it was built with.
var built struct {
	sync.Mutex
	dir string
	of  map[string]string
}

// Firmware builds the firmware as a process of this machine and returns its path: with sanitizers, or with mutants.
// Where there is no C compiler the test is skipped.
func Firmware(t testing.TB, mutants bool) string {
	t.Helper()
	if mutants {
		return buildTarget(t, "mutants", "host", "SANITIZE=", "DEFINES=-DMUTANTS")
	}
	return buildTarget(t, "sanitized", "host")
}

// Tool builds another program of the firmware's Makefile, with sanitizers, and returns its path.
func Tool(t testing.TB, target string) string {
	t.Helper()
	return buildTarget(t, "sanitized", target)
}

// buildTarget makes a target of the firmware's Makefile in a folder of its own, and returns its path.
func buildTarget(t testing.TB, folder, target string, with ...string) string {
	t.Helper()
	peertest.Program(t, "cc")
	tool := peertest.Program(t, "make")
	built.Lock()
	defer built.Unlock()
	if path := built.of[folder+"/"+target]; path != "" {
		return path
	}
	if built.dir == "" {
		dir, err := os.MkdirTemp("", "bridge")
		if err != nil {
			t.Fatal(err)
		}
		built.dir, built.of = dir, map[string]string{}
	}
	out, sources := filepath.Join(built.dir, folder), filepath.Join(root(t), "bus/bridge/firmware")
	Sources(t, sources)
	path := filepath.Join(out, target)
	args := append([]string{"-s", "-C", sources, path, "OUT=" + out, "OPTIMIZE=-O0"}, with...)
	if text, err := exec.Command(tool, args...).CombinedOutput(); err != nil {
		t.Fatalf("the firmware does not build: %v\n%s", err, text)
	}
	built.of[folder+"/"+target] = path
	return path
}

// Sources reads the sources of the firmware in a folder. Results of tests are kept for as long as what the tests
// themselves have read does not change: without this, those of firmware that was there before.
func Sources(t testing.TB, folder string) {
	t.Helper()
	read := 0
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && d.Name() == "build" {
			return fs.SkipDir
		}
		if ext := filepath.Ext(path); ext == ".c" || ext == ".h" || d.Name() == "Makefile" {
			read++
			_, err = os.ReadFile(path)
		}
		return err
	})
	if err != nil || read < 5 {
		t.Fatalf("%d sources of the firmware in %s: %v", read, folder, err)
	}
}

// Clean removes what Firmware has built; for TestMain.
func Clean() {
	built.Lock()
	defer built.Unlock()
	if built.dir != "" {
		_ = os.RemoveAll(built.dir) // which is in the folder for such things
	}
	built.dir, built.of = "", nil
}

// root is the folder of the repository.
func root(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	for err == nil {
		if _, missing := os.Stat(filepath.Join(dir, "go.mod")); missing == nil {
			return dir
		}
		if filepath.Dir(dir) == dir {
			err = errors.New("there is no go.mod above the test")
		}
		dir = filepath.Dir(dir)
	}
	t.Fatal(err)
	return ""
}

// Config is what a rig is made of.
type Config struct {
	Array *chipmodel.Array // behind the pins
	Scene scene.Scene      // that the rig's Lamp begins with
	Seed  uint64
	// GroundTruth is how the array really is; nil is as described.
	GroundTruth *groundtruth.Set
	// Faults of the wiring, the chips and the lanes.
	Faults []*facetdv1.Fault
	// Tick of the device's clock, whole nanoseconds; 0 is 40 ns.
	Tick time.Duration
	// Latency is for how long the machine may keep the firmware, as a process, from running: what is handed over must
	// be as much ahead. 0 is 200 ms.
	Latency time.Duration
	// Mutant of the firmware; 0 is none.
	Mutant int
	// Protocol is the version that the firmware says it has, a hundred times the major one and the minor one; 0 is its
	// own.
	Protocol int
	// Path of the link's socket; "" is one of the rig's own.
	Path string
	// Link is where the firmware has its link, where that is no socket at Path: an address of the process, and that for
	// the host.
	Link, HostLink string
	// LinkFaults are how many of a thousand packets of a link that can lose them are lost, and as many doubled, spoiled
	// or late, by LinkSeed.
	LinkFaults int
	LinkSeed   int
	// Real has the firmware be as careful as a board that drives a real array, and Memory is the file in which it keeps
	// what passed its self-test; "" is none.
	Real   bool
	Memory string
	// Readings is the file of what the firmware measures; "" is none.
	Readings string
	// WireDelay is how long an edge takes from an output to the input that it is wired to.
	WireDelay time.Duration
	// Pulses come to inputs from outside.
	Pulses []chips.Pulse
	// Emulated runs the firmware on an emulated board, whose tick is 40 ns. Where there is no emulator, or no compiler
	// for it, the test is skipped.
	Emulated bool
	// Ahead is how far the time of an emulated board goes on without its host; 0 is emulator.Ahead, below 0 for ever.
	Ahead time.Duration
}

// Rig is a firmware process with simulated chips behind its pins.
type Rig struct {
	// Address of its link.
	Address string
	// Lamp lights the chips, and may be set by the test.
	Lamp *chips.Lamp
	// Process may be killed and stopped by the test.
	Process *os.Process

	tick  time.Duration
	mu    sync.Mutex
	trace []wire.PinEvent
	heard time.Duration
}

// Heard is an emulated board's time when it last heard of its host.
func (r *Rig) Heard() time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.heard
}

// latency is for how long the machine may keep the firmware from running: tests share it with others.
const latency = 200 * time.Millisecond

// Start starts a rig, which ends with the test.
func Start(t testing.TB, cfg Config) *Rig {
	t.Helper()
	if cfg.Emulated {
		return startEmulated(t, &cfg)
	}
	path := Firmware(t, cfg.Mutant != 0 || cfg.Protocol != 0)
	dir := t.TempDir()
	r := &Rig{Address: "unix:" + filepath.Join(dir, "link"), Lamp: chips.NewLamp(cfg.Scene), tick: cfg.Tick}
	if cfg.Path != "" {
		r.Address = "unix:" + cfg.Path
	}
	own := r.Address
	if cfg.Link != "" {
		own, r.Address = cfg.Link, cfg.HostLink
	}
	if r.tick == 0 {
		r.tick = 40
	}
	listener, err := net.Listen("unix", filepath.Join(dir, "pins"))
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- r.serve(listener, &cfg) }()
	cmd := exec.Command(path, r.arguments(&cfg, own, dir)...)
	stderr, err := cmd.StderrPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	r.Process = cmd.Process
	said := make(chan string, 1)
	go func() {
		var all strings.Builder
		for s := bufio.NewScanner(stderr); s.Scan(); {
			all.WriteString(s.Text() + "\n")
		}
		said <- all.String()
	}()
	t.Cleanup(func() {
		_ = r.Process.Kill() // it may have ended
		text := <-said
		_ = cmd.Wait()       // which tells of the kill
		_ = listener.Close() // as nobody comes any more
		if err := <-served; err != nil {
			t.Errorf("the chips: %v", err)
		}
		if text != "" {
			t.Errorf("the firmware says:\n%s", text)
		}
	})
	return r
}

// arguments are those of the firmware.
func (r *Rig) arguments(cfg *Config, link, dir string) []string {
	args := []string{"--link", link, "--pins", "unix:" + filepath.Join(dir, "pins"), "--tick",
		strconv.FormatInt(int64(r.tick), 10), "--latency",
		strconv.FormatInt(cmp.Or(cfg.Latency, latency).Microseconds(), 10)}
	if cfg.Mutant != 0 {
		args = append(args, "--mutant", strconv.Itoa(cfg.Mutant))
	}
	if cfg.Protocol != 0 {
		args = append(args, "--protocol", strconv.Itoa(cfg.Protocol))
	}
	if cfg.Real {
		args = append(args, "--real", "yes")
	}
	if cfg.Readings != "" {
		args = append(args, "--readings", cfg.Readings)
	}
	if cfg.Memory != "" {
		args = append(args, "--memory", cfg.Memory)
	}
	if cfg.LinkFaults != 0 {
		args = append(args, "--link-faults", strconv.Itoa(cfg.LinkFaults), "--seed", strconv.Itoa(cfg.LinkSeed))
	}
	return args
}

func (r *Rig) serve(listener net.Listener, cfg *Config) error {
	conn, err := listener.Accept()
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	if err != nil {
		return err
	}
	err = chips.Serve(conn, r.chips(cfg))
	if err != nil && (strings.Contains(err.Error(), "reset") || strings.Contains(err.Error(), "broken pipe")) {
		err = nil // the process was killed
	}
	return errors.Join(err, conn.Close())
}

// chips are the simulated chips, with what happens at their pins kept.
func (r *Rig) chips(cfg *Config) chips.Config {
	return chips.Config{Array: cfg.Array, Lamp: r.Lamp, GroundTruth: cfg.GroundTruth, Seed: cfg.Seed,
		Faults: cfg.Faults, WireDelay: cfg.WireDelay,
		Pulses: cfg.Pulses,
		Trace: func(e wire.PinEvent) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.trace = append(r.trace, e)
		}}
}

// Pins are what has happened at the pins from one time of the device to another, by its own clock, as finely as it can
// be seen, in order.
func (r *Rig) Pins(from, to bus.Time) []bustest.Pin {
	r.mu.Lock()
	defer r.mu.Unlock()
	var out []bustest.Pin
	for i := range r.trace {
		out = r.expand(out, &r.trace[i])
	}
	bustest.SortPins(out)
	return slices.DeleteFunc(out, func(p bustest.Pin) bool { return p.At < from || p.At >= to })
}

func (r *Rig) at(ticks uint64) bus.Time { return bus.Time(ticks) * bus.Time(r.tick) }

// expand appends the parts of a pin event.
func (r *Rig) expand(dst []bustest.Pin, e *wire.PinEvent) []bustest.Pin {
	p := bustest.Pin{At: r.at(e.At), Which: int(e.Which), Value: uint64(e.Value)}
	switch e.Kind {
	case wire.PinSelect:
		p.Kind, p.Value = bustest.PinLines, e.Word
	case wire.PinRelease:
		p.Kind, p.Value = bustest.PinLines, 0
	case wire.PinWrite:
		p.Kind, p.Width = bustest.PinWrite, r.at(e.Width).Elapsed()
	case wire.PinStrobe:
		p.Kind, p.Width = bustest.PinStrobe, r.at(e.Width).Elapsed()
	case wire.PinMark:
		p.Kind, p.Width = bustest.PinMark, r.at(e.Width).Elapsed()
	case wire.PinRow:
		p.Kind = bustest.PinRow
	case wire.PinColumn:
		p.Kind = bustest.PinColumn
	case wire.PinClock:
		for i := range uint64(e.Count) {
			dst = append(dst, bustest.Pin{At: r.at(e.At + i*e.Width), Kind: bustest.PinClock})
		}
		return dst
	case wire.PinSample:
		for i := range uint64(e.Count) {
			if i > 0 || e.First != 0 {
				dst = r.move(dst, e, i)
			}
			dst = append(dst, bustest.Pin{At: r.at(e.At + i*e.Interval), Kind: bustest.PinSample,
				Value: uint64(e.Lanes)})
		}
		return dst
	default:
		return dst
	}
	return append(dst, p)
}

// move appends the move to a sample of a train.
func (r *Rig) move(dst []bustest.Pin, e *wire.PinEvent, i uint64) []bustest.Pin {
	from := e.At + i*e.Interval - e.Lead
	if e.Counts == 0 {
		return append(dst, bustest.Pin{At: r.at(from), Kind: bustest.PinColumn,
			Value: uint64(e.Value) + i*uint64(e.Step)})
	}
	for k := range uint64(e.Step) {
		dst = append(dst, bustest.Pin{At: r.at(from + k*e.Width), Kind: bustest.PinClock})
	}
	return dst
}
