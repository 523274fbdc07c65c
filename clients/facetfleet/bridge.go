package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/clients/facetfleet/internal/bridge"
	"facetd.example/clients/go/facet"
)

func (a *app) bridgeCommand() *cobra.Command {
	var to cli.Connection
	var cfg bridge.Config
	var objects storage
	var upload string
	cmd := &cobra.Command{
		Use:   "bridge",
		Short: "Connect the daemon beside it to the hub",
		Long: `bridge runs beside a daemon and publishes its status, every event of its journal, once and in order, and
frame sets while somebody has a lease. With --s3 it uploads finished recordings, one after the other; it never
deletes one on the robot. It needs the role viewer at the daemon, and operator for changes. It
waits for a hub or a daemon that is away, for ever; a hub that is lost or hung costs the daemon nothing. It
ends with status 1 where the hub does not allow what it does.`,
		Example: `  facetfleet bridge --robot crawler-7
  facetfleet --hub tls://hub:4222 --hub-key crawler-7.key --hub-ca ca.pem bridge --robot crawler-7 \
    --address unix:/run/facetd/facetd.sock --page http://crawler-7:7661/`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if cfg.Interval < 0 || cfg.Interval > 0 && cfg.Interval < time.Second {
				return cli.Usagef("--interval %s: give 1s or more", cfg.Interval)
			}
			if cfg.FrameBytes <= 0 {
				return cli.Usagef("--frame-bytes %d: give a number above 0", cfg.FrameBytes)
			}
			if upload != "finished" && upload != "asked" {
				return cli.Usagef("--upload %q: give finished or asked", upload)
			}
			if cfg.Uploads.Rate < 4096 {
				return cli.Usagef("--upload-bytes %d: give 4096 or more", cfg.Uploads.Rate)
			}
			cfg.Uploads.AskedOnly = upload == "asked"
			var err error
			if cfg.Uploads.Store, err = objects.open(); err != nil {
				return err
			}
			return a.runBridge(cmd, &to, cfg)
		},
	}
	to.Register(cmd.Flags(), a.env)
	cmd.Flags().StringVar(&cfg.Robot, "robot", a.env("FACETFLEET_ROBOT"),
		"name of the robot at the hub; or FACETFLEET_ROBOT")
	cmd.Flags().DurationVar(&cfg.Interval, "interval", time.Second,
		"time between two statuses where nothing changes that matters: 1s up to about 1000 robots")
	cmd.Flags().Int64Var(&cfg.FrameBytes, "frame-bytes", 1<<20,
		"most bytes a second of frame sets under all leases together")
	cmd.Flags().StringVar(&cfg.Page, "page", "", "address of the robot's own page, for people at the hub")
	objects.register(cmd, a.env)
	cmd.Flags().StringVar(&upload, "upload", "finished",
		"which recordings go into the object storage: every finished one, or those asked for ('recordings upload')")
	cmd.Flags().Int64Var(&cfg.Uploads.Rate, "upload-bytes", 512<<10, "bytes a second of uploads")
	return cmd
}

func (a *app) runBridge(cmd *cobra.Command, to *cli.Connection, cfg bridge.Config) error {
	if err := to.Check(); err != nil {
		return err
	}
	o, err := to.Options()
	if err != nil {
		return err
	}
	if cfg.Daemon, err = facet.Connect(to.Address, facet.Options{TLS: o.TLS, Token: o.Token}); err != nil {
		return cli.Usagef("--address: %s", err)
	}
	defer cfg.Daemon.Close()
	cfg.Log = func(line string) {
		fmt.Fprintln(cmd.ErrOrStderr(), time.Now().UTC().Format("2006-01-02T15:04:05.000Z"), line)
	}
	if cfg.Hub, err = a.connect("bridge of "+cfg.Robot, true, cfg.Log); err != nil {
		return err
	}
	defer cfg.Hub.Close()
	cfg.Version = version
	b, err := bridge.New(cfg)
	if err != nil {
		return cli.Usagef("--robot: %s", err)
	}
	return b.Run(cmd.Context())
}
