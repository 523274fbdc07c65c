// Package config is the daemon's configuration: its fields, what a file of them may hold,
// and which of them a reload can change. It reads no file but that one's text and makes
// nothing of it; package server does.
package config

import (
	"fmt"
	"net"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"facetd.example/api/dial"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/bus/bridge/link"
	"facetd.example/bus/virtual"
	"facetd.example/daemon/access"
	"facetd.example/daemon/record/replay"
)

// Words that stand for something other than a file.
const (
	Demo = "demo" // the embedded example
	None = "none" // no tasks
)

// Kinds of bus. A recording stands in the place of one: ReplayOf, and the names of its
// files in order with commas between them. BridgeTo stands before the address of a device.
const (
	Virtual  = "virtual"
	ReplayOf = "replay:"
	BridgeTo = "bridge:"
)

// Paces of bus time.
const (
	Realtime = "realtime"
	Free     = "free"
	Lockstep = "lockstep"
)

// Who may read the daemon's data.
const (
	NoReaders  = "none"
	GroupReads = "group"
	AllRead    = "all"
)

// DefaultScene is the light around the demo: its culvert, through which the crawler
// moves to and fro.
const DefaultScene = "demo:low=1,high=800,yaw_swing=10,yaw_swing_hz=0.2,forward_rate=0.1,travel=1"

// maxNameBytes is the longest name of a daemon.
const maxNameBytes = 200

// maxSocketPath is the longest path of a Unix socket that Linux takes.
const maxSocketPath = 107

// Config says what the daemon runs and where it listens. The fields with a yaml name
// are the schema of its configuration file; start from Default.
type Config struct {
	// Bus is virtual; or bridge: and the address of the device that drives the array, which is
	// serial:PATH[@BAUD], udp:HOST:PORT, tcp:HOST:PORT or unix:PATH; or replay: and the files of one recording in
	// order, with commas between them. A recording brings its own array and tasks: the fields array, tasks, scene,
	// pace, seed and defects are then ignored. With a device scene, pace, seed and defects are, and the grain is the
	// tick of its clock.
	Bus string `yaml:"bus"`
	// TakeOver is true to take the device even where another daemon uses it, whose lines then become
	// inactive. Otherwise a device that is in use is refused, with the name of who uses it.
	TakeOver bool `yaml:"take_over"`
	// UntestedDevice is the name of the board in the array file, to say that it may drive the array although it has
	// not passed its self-test for this firmware and these pins. Empty: one that asks for that drives none before.
	UntestedDevice string `yaml:"untested_device"`
	// Name is what tells this daemon from others: answers carry it. Empty means the array's
	// name.
	Name string `yaml:"name"`
	// Replay is how a recording is played.
	Replay Replay `yaml:"replay"`
	// Array is an array file, or demo. A reload reads the file again, and refuses it where
	// it describes another array than the one that runs.
	Array string `yaml:"array"`
	// Tasks is a file of tasks, demo, or none. Empty means those of the demo with the demo
	// array, and none with any other.
	Tasks string `yaml:"tasks"`
	// Scene is the light on a virtual bus: a kind and its numbers, as in the default;
	// 'facetd serve --help' has examples.
	Scene string `yaml:"scene"`
	// Pace is how fast bus time runs on a virtual bus: realtime, free for as fast as the
	// machine can, or lockstep for only as far as programs allow over the API. In lockstep
	// what is answered has nothing to do with the clocks of the host: UTC is 2000-01-01 at bus
	// time 0, and the instance's name follows from the seed.
	Pace string `yaml:"pace"`
	// Lockstep is about the programs that let bus time on at pace lockstep.
	Lockstep LockstepSettings `yaml:"lockstep"`
	// Seed is what everything random on a virtual bus is drawn from.
	Seed uint64 `yaml:"seed"`
	// Grain is the step of the clock of a virtual bus. Every time of an operation is rounded up to
	// it, and nothing begins in between. A board's clock is coarser than 1ns: with its grain, plans
	// and captures are those that the board will have.
	Grain time.Duration `yaml:"grain"`
	// MaxLag is how far the host may fall behind the timetable. The bus works off what comes late by
	// less: on time by its own clock, but late by every other. What comes later it refuses: those
	// jobs fail with the cause host stall, an event says so, and the timetable goes on at the next
	// release. 0s means that nothing is refused and no event says so.
	MaxLag time.Duration `yaml:"max_lag"`
	// StopAt is when the daemon ends, as soon as no job is open; 0s means never.
	StopAt time.Duration `yaml:"stop_at" unit:"bus time"`
	// Data is the folder where the daemon keeps recordings, its journal of events, correction
	// maps, runs of bring-up, the tasks that were made, changed or removed over the API, and a
	// safe stop, which then outlive it. Empty means no recordings, and the others in memory alone.
	Data string `yaml:"data"`
	// DataReaders is who beside the daemon's own user may read what it keeps there: none (files
	// of mode 0600 in folders of mode 0700), group (0640, 0750) or all (0644, 0755). The umask
	// is ignored; existing files and folders stay as they are.
	DataReaders string `yaml:"data_readers"`
	// Defects is a list of defective pixels of a virtual bus, each as
	// CHIP:ROW,COLUMN=stuck@VOLTS or CHIP:ROW,COLUMN=noisy@VOLTS.
	Defects []string `yaml:"defects"`
	// Calibration is about the correction maps that correct frames.
	Calibration Calibration `yaml:"calibration"`
	// Recordings is about which recordings are kept in the data folder.
	Recordings Recordings `yaml:"recordings"`
	// Listen is where the daemon listens.
	Listen Listen `yaml:"listen"`
	// Access is who may do what from where.
	Access access.Settings `yaml:"access"`
	// Log is how the daemon logs, to standard error.
	Log Log `yaml:"log"`

	// Served says that the program which runs the daemon serves the API at an address of
	// its own, so that Listen need not name one.
	Served bool `yaml:"-"`

	// fileScene is the scene of the configuration file; pictures that it names are
	// beside the file, in dir.
	fileScene, dir string
}

// Replay is how a recording is played.
type Replay struct {
	// Speed is 1 for the pace at which it happened, more for faster, up to 1000; 0 is as
	// fast as the machine can.
	Speed float64 `yaml:"speed" unit:"times"`
	// Loop is whether to start over at the end.
	Loop bool `yaml:"loop"`
	// Stepped is whether to wait for the API before the first frame set.
	Stepped bool `yaml:"stepped"`
}

// LockstepSettings is about the programs that let bus time on at pace lockstep.
type LockstepSettings struct {
	// Participants is a list of names of programs; bus time does not move before all of them
	// have joined. Others may join as well.
	Participants []string `yaml:"participants"`
	// StalledAfter is how long bus time waits for a participant before the log, an event, the
	// status and a metric name it.
	StalledAfter time.Duration `yaml:"stalled_after"`
	// RemovedAfter is how long bus time waits for a participant before it goes on without it;
	// 0s means that an operator removes it, or nobody. It makes runs depend on how fast the
	// host is.
	RemovedAfter time.Duration `yaml:"removed_after"`
}

// Calibration is about the correction maps that correct frames.
type Calibration struct {
	// MaxAge is the age at which a correction map counts as stale.
	MaxAge time.Duration `yaml:"max_age"`
}

// Recordings is about which recordings are kept in the data folder. One is deleted whole, the
// oldest first, never while it is written, and an event says so.
type Recordings struct {
	// KeepFor is how long ago a recording may have ended: one that ended earlier is deleted, and an
	// event says so. 0s means that age does not matter.
	KeepFor time.Duration `yaml:"keep_for"`
	// KeepBytes is what all recordings may take, those included that are being written: beyond it
	// the oldest are deleted, and events say so. 0 means that size does not matter.
	KeepBytes uint64 `yaml:"keep_bytes" unit:"bytes"`
}

// Listen is where the daemon listens. Addresses that are not loopback ones speak TLS
// and take client certificates or tokens, which Access must provide for.
type Listen struct {
	// GRPC is host:port of the API; port 0 takes a free one, empty means none. Without a
	// host it is all addresses of the machine.
	GRPC string `yaml:"grpc"`
	// Unix is the path of a Unix socket of the API; empty means none. Only the
	// daemon's own user may connect to it.
	Unix string `yaml:"unix"`
	// HTTP is host:port of the page, /metrics and /healthz; empty means none. Without a
	// host it is all addresses of the machine.
	HTTP string `yaml:"http"`
}

// Log is how the daemon logs, to standard error.
type Log struct {
	// Level is debug, info, warn or error.
	Level string `yaml:"level"`
	// Format is json or console.
	Format string `yaml:"format"`
}

// Default is the demo in real time on the loopback addresses.
func Default() Config {
	return Config{
		Bus: Virtual, Replay: Replay{Speed: 1},
		Array: Demo, Scene: DefaultScene, Pace: Realtime, Seed: 1, Grain: 1,
		MaxLag:      100 * time.Millisecond,
		Lockstep:    LockstepSettings{StalledAfter: 5 * time.Second},
		DataReaders: NoReaders,
		Listen:      Listen{GRPC: "127.0.0.1:7660", HTTP: "127.0.0.1:7661"},
		Calibration: Calibration{MaxAge: 30 * 24 * time.Hour},
		Access:      access.DefaultSettings(),
		Log:         Log{Level: "info", Format: "console"},
	}
}

// DataModes are the modes of what the daemon keeps.
func (c *Config) DataModes() fileio.Modes {
	switch c.DataReaders {
	case GroupReads:
		return fileio.Modes{Files: 0o640, Folders: 0o750}
	case AllRead:
		return fileio.Modes{Files: 0o644, Folders: 0o755}
	}
	return fileio.Modes{}
}

// Validate finds everything wrong with the configuration itself; what the files that it
// names hold is not checked.
func (c *Config) Validate() invalid.Errors {
	var m invalid.Errors
	if c.Array == "" {
		m.Add("array", "no array is named", "give a file, or "+Demo)
	}
	if len(c.Name) > maxNameBytes || strings.ContainsFunc(c.Name, func(r rune) bool { return !unicode.IsGraphic(r) }) {
		m.Add("name", "it is too long or cannot be printed",
			fmt.Sprintf("give at most %d bytes without line breaks and control characters", maxNameBytes))
	}
	c.checkBus(&m)
	choice := func(path, value string, known ...string) {
		if !slices.Contains(known, value) {
			m.Add(path, fmt.Sprintf("%q is not possible", value), "use "+strings.Join(known, ", "))
		}
	}
	choice("pace", c.Pace, Realtime, Free, Lockstep)
	c.checkLockstep(&m)
	if c.Grain < 1 {
		m.Add("grain", fmt.Sprintf("a bus cannot have a grain of %v", c.Grain), "give 1ns or more, or leave it out")
	}
	choice("data_readers", c.DataReaders, NoReaders, GroupReads, AllRead)
	for i, text := range c.Defects {
		if _, err := virtual.ParseDefect(text); err != nil {
			m.Add(fmt.Sprintf("defects[%d]", i), err.Error(), "")
		}
	}
	if c.Calibration.MaxAge <= 0 {
		m.Add("calibration.max_age", fmt.Sprintf("correction maps cannot be stale at an age of %v",
			c.Calibration.MaxAge),
			"give a time above zero, such as 720h, or leave it out")
	}
	if c.Recordings.KeepFor < 0 {
		m.Add("recordings.keep_for", fmt.Sprintf("recordings cannot be kept for %v", c.Recordings.KeepFor),
			"give a time above zero, such as 720h, or 0s for no limit")
	}
	if c.MaxLag < 0 {
		m.Add("max_lag", fmt.Sprintf("the host cannot be behind by %v", c.MaxLag),
			"give a time above zero, such as 100ms, or 0s for no such event")
	}
	if c.StopAt < 0 {
		m.Add("stop_at", fmt.Sprintf("%v is before the start", c.StopAt), "give a time above zero, or leave it out")
	}
	if c.Listen.GRPC == "" && c.Listen.Unix == "" && !c.Served {
		m.Add("listen", "the API has no address", "give grpc or unix")
	}
	c.checkAddress(&m, "listen.grpc", c.Listen.GRPC)
	c.checkAddress(&m, "listen.http", c.Listen.HTTP)
	c.Access.Check(&m)
	if n := len(c.Listen.Unix); n > maxSocketPath {
		m.Add("listen.unix", fmt.Sprintf("the path has %d bytes", n),
			fmt.Sprintf("a socket's path has at most %d", maxSocketPath))
	}
	choice("log.level", c.Log.Level, "debug", "info", "warn", "error")
	choice("log.format", c.Log.Format, "json", "console")
	return m
}

// checkBus checks the kind of bus and how a recording is played.
func (c *Config) checkBus(m *invalid.Errors) {
	files, plays := c.Recording()
	address, bridged := c.Device()
	switch {
	case bridged:
		if err := link.Check(address); err != nil {
			m.Add("bus", err.Error(), "put "+BridgeTo+" before it")
		}
		if c.Pace != Realtime {
			m.Add("pace", fmt.Sprintf("the time of a device does not run at pace %s", c.Pace), "leave it out")
		}
	case !plays && c.Bus != Virtual:
		m.Add("bus", fmt.Sprintf("%q is not possible", c.Bus), "use "+Virtual+", "+BridgeTo+"ADDRESS, or "+ReplayOf+
			"FILE[,FILE...]")
	case plays && slices.Contains(files, ""):
		m.Add("bus", fmt.Sprintf("%q lacks the name of a file", c.Bus), "write "+ReplayOf+"FILE[,FILE...]")
	case plays && c.StopAt != 0:
		m.Add("stop_at", "a recording ends by itself", "leave it out")
	}
	if s := c.Replay.Speed; !(s >= 0 && s <= replay.MaxSpeed) { // NaN is neither
		m.Add("replay.speed", fmt.Sprintf("%v is not possible", s),
			fmt.Sprintf("use 0 (as fast as possible) to %d", replay.MaxSpeed))
	}
}

func (c *Config) checkLockstep(m *invalid.Errors) {
	if l := c.Lockstep; l.StalledAfter <= 0 {
		m.Add("lockstep.stalled_after", fmt.Sprintf("nobody can have stalled after %v", l.StalledAfter),
			"give a time above zero, such as 5s, or leave it out")
	} else if l.RemovedAfter != 0 && l.RemovedAfter < l.StalledAfter {
		m.Add("lockstep.removed_after", fmt.Sprintf("%v is before a participant counts as stalled", l.RemovedAfter),
			"give at least stalled_after, or 0s for never")
	}
	if slices.Contains(c.Lockstep.Participants, "") {
		m.Add("lockstep.participants", "a name is empty", "leave it out")
	}
}

// Device returns the address of the device that Bus names, if it is one.
func (c *Config) Device() (address string, bridged bool) { return strings.CutPrefix(c.Bus, BridgeTo) }

// Recording returns the files that Bus names, if it is a recording.
func (c *Config) Recording() (files []string, plays bool) {
	rest, plays := strings.CutPrefix(c.Bus, ReplayOf)
	if !plays {
		return nil, false
	}
	return strings.Split(rest, ","), true
}

// checkAddress wants host:port, with a loopback host unless there is access control.
func (c *Config) checkAddress(m *invalid.Errors, path, address string) {
	if address == "" {
		return
	}
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		m.Add(path, fmt.Sprintf("%q is not an address", address), "write host:port, such as 127.0.0.1:7660")
		return
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil {
		m.Add(path, fmt.Sprintf("%q is not a port", port), "use 0 to 65535; 0 takes a free one")
	} else if !dial.Loopback(host) && !c.Access.Remote() {
		m.Add(path, fmt.Sprintf("%q could be reached from other machines, which requires access control", address),
			fmt.Sprintf("use 127.0.0.1:%d, or %s", n, access.RemoteHint))
	}
}

// Picture is where a picture that the scene names is found: beside the configuration file
// where the scene stands in it.
func (c *Config) Picture(name string) string {
	if c.Scene == c.fileScene {
		return beside(c.dir, name)
	}
	return name
}

// beside makes a path relative to the configuration file one relative to the
// working directory.
func beside(dir, path string) string {
	if path == "" || path == Demo || path == None || path == "-" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(dir, path)
}
