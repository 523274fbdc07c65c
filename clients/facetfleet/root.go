package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/api/fileio"
	"facetd.example/clients/facetfleet/internal/hub"
)

// defaultHub is a hub on this machine.
const defaultHub = "nats://127.0.0.1:4222"

// app is what the commands share.
type app struct {
	env     func(string) string
	hub     string
	key     string
	ca      string
	timeout time.Duration

	demoScene string
}

func newRoot(a *app) *cobra.Command {
	root := &cobra.Command{
		Use:   "facetfleet",
		Short: "Many robots in one place, over a NATS hub",
		Long: `facetfleet connects facetd daemons to a hub, a NATS server with JetStream (bridge), and shows what the
hub has of them: status, events and frames. What it shows has an age: a robot whose link is down is shown as
it was last, and as silent.
Exit status: 0 done, 1 failed, 2 usage error.`,
		Example: `  facetfleet bridge --robot crawler-7
  facetfleet robots
  facetfleet events --follow --output json`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	f := root.PersistentFlags()
	f.StringVar(&a.hub, "hub", cmp.Or(a.env("FACETFLEET_HUB"), defaultHub),
		"the hub: one or more addresses with commas, nats://HOST:PORT or tls://HOST:PORT; or FACETFLEET_HUB")
	f.StringVar(&a.key, "hub-key", a.env("FACETFLEET_KEY"),
		"file with the key to show to the hub, as hub-config writes it; or FACETFLEET_KEY")
	f.StringVar(&a.ca, "hub-ca", a.env("FACETFLEET_CA"),
		"PEM file of the authorities that may have signed the hub's certificate; with it TLS is spoken; or "+
			"FACETFLEET_CA")
	f.DurationVar(&a.timeout, "timeout", 10*time.Second, "give up on a single answer after this long")
	cli.AddOutputFlag(root)
	root.AddCommand(a.bridgeCommand(), a.robotsCommand(), a.watchCommand(), a.eventsCommand(), a.framesCommand(),
		a.applyCommand(), a.stopCommand(),
		a.resumeCommand(), a.recordingsCommand(), a.forgetCommand(), a.streamsCommand(), a.hubConfigCommand(),
		a.pageCommand(),
		a.demoCommand(),
		cli.VersionCommand("facetfleet", version))
	return root
}

// connect connects to the hub.
func (a *app) connect(name string, wait bool, log func(string)) (*hub.Conn, error) {
	if a.timeout <= 0 {
		return nil, cli.Usagef("--timeout %s: give a time above zero", a.timeout)
	}
	o := hub.Options{URLs: strings.Split(a.hub, ","), Name: name, Wait: wait, Log: log}
	for _, url := range o.URLs {
		if strings.TrimSpace(url) == "" {
			return nil, cli.Usagef("--hub %q: an address is empty", a.hub)
		}
	}
	var err error
	if o.Seed, err = a.seed(); err != nil {
		return nil, err
	}
	if a.ca != "" {
		roots, err := authorities("--hub-ca", a.ca)
		if err != nil {
			return nil, err
		}
		o.TLS = &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS13}
	}
	return hub.Connect(o)
}

// authorities are those of a PEM file; nil, which means those of the system, without one.
func authorities(flag, name string) (*x509.CertPool, error) {
	if name == "" {
		return nil, nil
	}
	pem, err := fileio.Read(name, 1<<20)
	if err != nil {
		return nil, cli.Usagef("%s: %s", flag, fileio.Plain(err))
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(pem) {
		return nil, cli.Usagef("%s %s: there is no certificate in it", flag, name)
	}
	return roots, nil
}

// seed is the key of --hub-key; nil without. A key that others on this machine can read is refused.
func (a *app) seed() ([]byte, error) {
	if a.key == "" {
		return nil, nil
	}
	text, err := secret("--hub-key", a.key)
	if err != nil {
		return nil, err
	}
	return bytes.TrimSpace(text), nil
}

// ask runs f with the hub and a time limit.
func (a *app) ask(cmd *cobra.Command, f func(ctx context.Context, c *hub.Conn) error) error {
	return a.with(cmd, func(ctx context.Context, c *hub.Conn) error {
		ctx, cancel := context.WithTimeout(ctx, a.timeout)
		defer cancel()
		err := f(ctx, c)
		if errors.Is(err, context.DeadlineExceeded) {
			return fmt.Errorf("no answer from the hub at %s within %s", a.hub, a.timeout)
		}
		return err
	})
}

// stream is with where an interruption is a good end.
func (a *app) stream(cmd *cobra.Command, f func(ctx context.Context, c *hub.Conn) error) error {
	err := a.with(cmd, f)
	if errors.Is(cmd.Context().Err(), context.Canceled) {
		return nil
	}
	return err
}

// with runs f with the hub; an interruption is what f makes of it.
func (a *app) with(cmd *cobra.Command, f func(ctx context.Context, c *hub.Conn) error) error {
	c, err := a.connect("facetfleet "+cmd.Name(), false, func(line string) {
		fmt.Fprintln(cmd.ErrOrStderr(), "facetfleet: "+line)
	})
	if err != nil {
		return err
	}
	defer c.Close()
	return f(cmd.Context(), c)
}
