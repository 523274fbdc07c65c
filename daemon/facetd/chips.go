package main

import (
	"context"
	"fmt"
	"net"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/bus/bridge"
	"facetd.example/bus/bridge/chips"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
)

func chipsCommand() *cobra.Command {
	var listen, light string
	var seed uint64
	cmd := &cobra.Command{
		Use:   "chips [ARRAY]",
		Short: "Simulate the chips behind the pins of a firmware that runs as a process",
		Long: `chips simulates an array behind the pins of the bridge's firmware, for trying it without a
board: 'make -C bus/bridge/firmware host' builds the firmware as a process, which
connects here and drives the pins, and 'facetd --bus bridge:ADDRESS' talks to that. The
chips are switched on whenever a firmware connects, one at a time. It knows nothing of
the daemon's plans: it goes by what happens at the pins. ARRAY is ` + fileForm + `
(default demo).`,
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
			if err := bridge.CheckListen(listen); err != nil {
				return cli.Usagef("--listen: %s", err)
			}
			l, err := bridge.Listen(listen)
			if err != nil {
				return err
			}
			return serveChips(cmd, l, chips.Config{Array: a, Scene: s, Seed: seed})
		},
	}
	d := config.Default()
	cmd.Flags().StringVar(&listen, "listen", "", "where the firmware connects: "+bridge.ListenForm)
	cmd.Flags().StringVar(&light, "scene", d.Scene, "light around the array: a description without pictures")
	cmd.Flags().Uint64Var(&seed, "seed", d.Seed, "seed of everything random")
	return cmd
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
