package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
	"facetd.example/bus/bridge"
	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bridge/emulator"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/fault"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
)

func chipsCommand() *cobra.Command {
	var f chipsFlags
	cmd := &cobra.Command{
		Use:   "chips [ARRAY]",
		Short: "Simulate the chips behind the pins of a firmware that runs as a process",
		Long: `chips simulates an array behind the pins of the bridge's firmware, for trying it without a
board: 'make -C bus/bridge/firmware host' builds the firmware as a process, which
connects here and drives the pins, and 'facetd --bus bridge:ADDRESS' talks to that. The
chips are switched on whenever a firmware connects, one at a time. It knows nothing of
the daemon's plans: it goes by what happens at the pins. With --faults they have what is
wrong with wiring, chips and lanes, for trying 'facetctl probe': a file with a list faults
whose items have the fields of a Fault of the API, such as {kind: chip_dead, chip: bed-0}.
With --ground-truth they are not quite as described, for 'facetctl bringup' to find out: a
file as for 'facetd --ground-truth'. With --lamp each line on standard input is the light
from then on, such as uniform:200, for 'facetctl calibrate' and bring-up, which ask for it.
ARRAY is ` + fileForm + `
(default demo).

With --pipes it does so for a firmware on an emulated board, by named pipes which it makes in a
folder; --listen is then the address of the board's link, for the daemon. Start the board there:
'qemu-system-arm ` + strings.Join(emulator.Machine("FIRMWARE"), " ") + `'.
The board's time stands still where its host is not heard for a while, and the daemon follows it.`,
		Example: `  facetd chips --listen unix:/tmp/pins
  bus/bridge/firmware/build/host --link unix:/tmp/link --pins unix:/tmp/pins
  facetd --bus bridge:unix:/tmp/link`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			name := config.Demo
			if len(args) > 0 {
				name = args[0]
			}
			with, err := f.read(cmd.InOrStdin(), name)
			if err != nil {
				return err
			}
			if err := bridge.CheckListen(f.listen); err != nil {
				return cli.Usagef("--listen: %s", err)
			}
			l, err := bridge.Listen(f.listen)
			if err != nil {
				return err
			}
			if f.asked {
				go setLamp(cmd, with.Lamp) // ends with standard input, or with the command
			}
			if f.pipes != "" {
				return serveBoard(cmd, l, f.pipes, with)
			}
			return serveChips(cmd, l, with)
		},
	}
	d := config.Default()
	cmd.Flags().StringVar(&f.listen, "listen", "", "where the firmware connects: "+bridge.ListenForm)
	cmd.Flags().StringVar(&f.pipes, "pipes", "", "folder of the named pipes of an emulated board (default a process)")
	cmd.Flags().StringVar(&f.light, "scene", d.Scene, "light around the array: a description without pictures")
	cmd.Flags().StringVar(&f.faults, "faults", "", "file of faults, YAML or JSON (- is standard input)")
	cmd.Flags().StringVar(&f.truth, "ground-truth", "", "file that says how the array really is (- is standard input)")
	cmd.Flags().BoolVar(&f.asked, "lamp", false, "take the light from standard input, a description in each line")
	cmd.Flags().StringArrayVar(&f.pulses, "pulse", nil,
		"pulses at an input of the board, half of the time high: NAME=PERIOD, of device.inputs (may be repeated)")
	cmd.Flags().Uint64Var(&f.seed, "seed", d.Seed, "seed of everything random")
	return cmd
}

// chipsFlags say what the chips are.
type chipsFlags struct {
	listen, light, pipes, faults, truth string
	pulses                              []string
	seed                                uint64
	asked                               bool // the light comes from standard input
}

// read reads an array, and what the flags say of it.
func (f *chipsFlags) read(stdin io.Reader, name string) (chips.Config, error) {
	cfg := chips.Config{Seed: f.seed}
	if f.asked && slices.Contains([]string{name, f.faults, f.truth}, "-") {
		return cfg, cli.Usagef("--lamp reads standard input: no file can be -")
	}
	var err error
	if cfg.Array, err = readArray(stdin, name); err != nil {
		return cfg, err
	}
	if cfg.Array.WiringOnly {
		return cfg, cli.Usagef("%s describes only the wiring: chips need classes and lanes", name)
	}
	s, err := scene.Parse(sceneOf(f.light), nil)
	if err != nil {
		return cfg, cli.Usagef("%s", err)
	}
	cfg.Lamp = chips.NewLamp(s)
	if cfg.Faults, err = readFaults(stdin, f.faults, cfg.Array); err != nil {
		return cfg, err
	}
	for _, text := range f.pulses {
		p, err := pulseOf(cfg.Array, text)
		if err != nil {
			return cfg, cli.Usagef("--pulse %s", err)
		}
		cfg.Pulses = append(cfg.Pulses, p)
	}
	cfg.GroundTruth, err = readGroundTruth(stdin, f.truth, cfg.Array)
	return cfg, err
}

// leastPulse is the shortest period of pulses: edges that come thicker than the firmware looks for them on a busy
// machine would wait for it without bound, as these chips keep every one.
const leastPulse = 10 * time.Millisecond

// pulseOf reads what comes to an input, NAME=PERIOD.
func pulseOf(a *chipmodel.Array, text string) (chips.Pulse, error) {
	name, period, _ := strings.Cut(text, "=")
	every, err := time.ParseDuration(period)
	if err != nil || every < leastPulse || every > time.Hour {
		return chips.Pulse{}, fmt.Errorf("%s: write NAME=PERIOD, such as wheel=100ms, from %v to 1h", text, leastPulse)
	}
	if a.Device != nil {
		for _, in := range a.Device.Inputs {
			if in.Name == name {
				return chips.Pulse{Input: in.Pin, Every: every, Width: every / 2}, nil
			}
		}
	}
	return chips.Pulse{}, fmt.Errorf("%s: the array file has no such input in device.inputs", text)
}

// serveBoard serves an emulated board until the command ends.
func serveBoard(cmd *cobra.Command, l net.Listener, dir string, cfg chips.Config) error {
	w, err := emulator.New(emulator.Config{Dir: dir, Chips: cfg, Link: l, Ahead: emulator.Ahead})
	if err != nil {
		return errors.Join(err, l.Close())
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "facetd: the link of a board in %s with the chips of %s is at %s\n", dir,
		cfg.Array.Name, l.Addr())
	return w.Serve(cmd.Context())
}

// setLamp sets the light by the lines of standard input, and says so.
func setLamp(cmd *cobra.Command, lamp *chips.Lamp) {
	for in := bufio.NewScanner(cmd.InOrStdin()); in.Scan(); {
		text := strings.TrimSpace(in.Text())
		if text == "" {
			continue
		}
		s, err := scene.Parse(sceneOf(text), nil)
		if err != nil {
			fmt.Fprintf(cmd.ErrOrStderr(), "facetd: the light stays as it is: %v\n", err)
			continue
		}
		lamp.Set(s)
		fmt.Fprintf(cmd.ErrOrStderr(), "facetd: the light is %s\n", text)
	}
}

// readGroundTruth reads a file that says how the array really is; no name is as described.
func readGroundTruth(stdin io.Reader, name string, a *chipmodel.Array) (*groundtruth.Set, error) {
	if name == "" {
		return nil, nil
	}
	src, err := open(stdin, name, nil, "")
	if err != nil {
		return nil, err
	}
	var really *groundtruth.Set
	if m := arrayfile.ParseGroundTruth(src.name, src.data, func(t *facetdv1.GroundTruth) (wrong invalid.Errors) {
		really, wrong = groundtruth.Of(a, t)
		return wrong
	}); len(m) > 0 {
		return nil, &invalidError{src.name, m}
	}
	return really, nil
}

// readFaults reads a file of faults that the array can have; no name is none.
func readFaults(stdin io.Reader, name string, a *chipmodel.Array) ([]*facetdv1.Fault, error) {
	if name == "" {
		return nil, nil
	}
	src, err := open(stdin, name, nil, "")
	if err != nil {
		return nil, err
	}
	var msg facetdv1.SetFaultsRequest
	doc := yamlfile.Parse(src.name, src.data)
	doc.Message(&msg)
	_, err = fault.New(a, msg.GetFaults())
	var wrong invalid.Errors
	if err != nil && !errors.As(err, &wrong) {
		return nil, err
	}
	if m := doc.Errors(wrong); len(m) > 0 {
		return nil, &invalidError{src.name, m}
	}
	return msg.GetFaults(), nil
}

// serveChips serves one firmware after another until the command ends.
func serveChips(cmd *cobra.Command, l net.Listener, cfg chips.Config) error {
	stop := context.AfterFunc(cmd.Context(), func() { _ = l.Close() })
	defer stop()
	fmt.Fprintf(cmd.ErrOrStderr(), "facetd: the chips of %s are at %s\n", cfg.Array.Name, l.Addr())
	for {
		conn, err := l.Accept()
		if cmd.Context().Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		closes := context.AfterFunc(cmd.Context(), func() { _ = conn.Close() })
		err = chips.Serve(conn, cfg)
		closes()
		_ = conn.Close() // its end was told already
		if err != nil && cmd.Context().Err() == nil {
			fmt.Fprintf(cmd.ErrOrStderr(), "facetd: the firmware's pins: %v\n", err)
		}
	}
}
