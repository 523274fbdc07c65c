package server

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"strings"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/bus/bridge"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
	"facetd.example/daemon/record/replay"
	"facetd.example/deploy"
	"facetd.example/scheduler/program"
)

// MaxFileBytes limits every file that is read.
const MaxFileBytes = 64 << 20

// inputs are what the configuration's files hold.
type inputs struct {
	array       *chipmodel.Array
	arrayName   string // and its text, for proposals of bring-up
	arrayData   []byte
	groundTruth *groundtruth.Set // nil: as described
	tasks       []*facetdv1.Task
	checked     []*program.Task // the tasks, which suit the array
	scene       scene.Scene
	light       string // the scene's description with a digest of its pictures

	device *bridge.Device // that drives the array; nil where none does

	// Of a recording there are the array and these alone.
	player *replay.Player
	hooks  *playHooks
}

// release gives back what was opened, when the daemon does not start.
func (in *inputs) release() {
	if in != nil && in.player != nil {
		_ = in.player.Close() // it was only read
	}
	if in != nil && in.device != nil {
		in.device.Close()
	}
}

// load reads everything that the configuration names, and collects the errors of
// all of it.
func (c *Setup) load(log *zap.Logger) (*inputs, invalid.Errors) {
	if files, plays := c.Recording(); plays {
		return c.loadRecording(files, log)
	}
	var in inputs
	var m, found invalid.Errors
	if name, data, err := c.read(c.Array, deploy.CrawlerArray, "demo array.yaml"); err != nil {
		m.Add("array", err.Error(), "")
	} else {
		in.arrayName, in.arrayData = name, data
		in.array, found = arrayfile.ParseArray(name, data)
		m = append(m, found...)
	}
	if in.array != nil && !in.array.WiringOnly && c.GroundTruth != "" {
		in.groundTruth, found = c.loadGroundTruth(in.array)
		m = append(m, found...)
	}
	if in.array != nil {
		on, err := in.array.OnGrain(c.Grain)
		if err != nil {
			m.Add("grain", err.Error(), "give that of the bus, or leave it out")
			on = in.array
		}
		in.array = on
	}
	if in.array != nil && in.array.WiringOnly {
		m.Add("array", "the file describes only the wiring, which cannot be run", "add lanes, classes and timing")
	}
	tasks := c.Tasks
	switch {
	case tasks == "" && c.Array == config.Demo:
		tasks = config.Demo
	case tasks == "":
		tasks = config.None
	}
	if tasks != config.None {
		if name, data, err := c.read(tasks, deploy.CrawlerTasks, "demo tasks.yaml"); err != nil {
			m.Add("tasks", err.Error(), "")
		} else {
			in.tasks, found = arrayfile.ParseTasks(name, data, in.check)
			m = append(m, found...)
		}
	}
	pictures := sha256.New()
	picture := func(name string) (io.ReadCloser, error) {
		r, err := c.picture(name)
		if err != nil {
			return nil, err
		}
		return readCloser{io.TeeReader(r, pictures), r}, nil
	}
	var err error
	if in.scene, err = scene.Parse(c.Scene, picture); err != nil {
		m.Add("scene", strings.TrimPrefix(err.Error(), "scene: "), "")
	}
	in.light = c.Scene + " " + hex.EncodeToString(pictures.Sum(nil))
	return &in, m
}

// check finds what is wrong with tasks on the array, where there is one to hold them
// against.
func (in *inputs) check(tasks []*facetdv1.Task) (m invalid.Errors) {
	if in.array != nil && !in.array.WiringOnly {
		in.checked, m = program.NewTasks(in.array, tasks)
	}
	return m
}

// readCloser reads from one and closes another.
type readCloser struct {
	io.Reader
	io.Closer
}

// read returns a file's name for messages and its text; demo is the builtin one.
func (c *Setup) read(name string, builtin []byte, builtinName string) (string, []byte, error) {
	if name == config.Demo {
		return builtinName, builtin, nil
	}
	data, err := c.readFile(name)
	return name, data, err
}

func (c *Setup) readFile(name string) ([]byte, error) {
	if c.ReadFile != nil {
		return c.ReadFile(name)
	}
	return fileio.Read(name, MaxFileBytes)
}

// picture opens a picture of the scene.
func (c *Setup) picture(name string) (io.ReadCloser, error) {
	data, err := c.readFile(c.Picture(name))
	if err != nil {
		return nil, err
	}
	return io.NopCloser(bytes.NewReader(data)), nil
}
