package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
	"facetd.example/bus/bridge"
	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bridge/emulator"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/fault"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
)

func chipsCommand() *cobra.Command {
	var listen, light, pipes, faults string
	var seed uint64
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
			a, err := readArray(cmd.InOrStdin(), name)
			if err != nil {
				return err
			}
			if a.WiringOnly {
				return cli.Usagef("%s describes only the wiring: chips need classes and lanes", name)
			}
			s, err := scene.Parse(sceneOf(light), nil)
			if err != nil {
				return cli.Usagef("%s", err)
			}
			wrong, err := readFaults(cmd.InOrStdin(), faults, a)
			if err != nil {
				return err
			}
			if err := bridge.CheckListen(listen); err != nil {
				return cli.Usagef("--listen: %s", err)
			}
			l, err := bridge.Listen(listen)
			if err != nil {
				return err
			}
			with := chips.Config{Array: a, Scene: s, Seed: seed, Faults: wrong}
			if pipes != "" {
				return serveBoard(cmd, l, pipes, with)
			}
			return serveChips(cmd, l, with)
		},
	}
	d := config.Default()
	cmd.Flags().StringVar(&listen, "listen", "", "where the firmware connects: "+bridge.ListenForm)
	cmd.Flags().StringVar(&pipes, "pipes", "", "folder of the named pipes of an emulated board (default a process)")
	cmd.Flags().StringVar(&light, "scene", d.Scene, "light around the array: a description without pictures")
	cmd.Flags().StringVar(&faults, "faults", "", "file of faults, YAML or JSON (- is standard input)")
	cmd.Flags().Uint64Var(&seed, "seed", d.Seed, "seed of everything random")
	return cmd
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
