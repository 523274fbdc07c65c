package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/page"
)

func (a *app) pageCommand() *cobra.Command {
	var listen string
	var hosts []string
	cmd := &cobra.Command{
		Use:   "page",
		Short: "Serve the page of the hub: all robots by health, the worst first",
		Long: `page serves a page for browsers: all robots by health with the age of what is shown, a link to each
robot's own page, the events of all, and thumbnails of one robot while somebody looks. It changes nothing. It has no
login: whoever reaches the address sees what its key may see, so it listens on this machine alone unless told
otherwise.`,
		Example: `  facetfleet page
  facetfleet --hub tls://hub:4222 --hub-key viewer-ada.key --hub-ca ca.pem page --listen :7670 --host fleet.example`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := a.connect("facetfleet page", true, func(line string) {
				fmt.Fprintln(cmd.ErrOrStderr(), "facetfleet: "+line)
			})
			if err != nil {
				return err
			}
			defer c.Close()
			return servePage(cmd.Context(), cmd, c, listen, hosts)
		},
	}
	cmd.Flags().StringVar(&listen, "listen", "127.0.0.1:7670", "where to listen, HOST:PORT")
	cmd.Flags().StringSliceVar(&hosts, "host", nil, "a name by which browsers may ask for it; may be repeated")
	return cmd
}

// servePage serves the page until ctx ends.
func servePage(ctx context.Context, cmd *cobra.Command, c *hub.Conn, listen string, hosts []string) error {
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return fmt.Errorf("--listen %s: %w", listen, err)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	p := page.New(c, func(line string) { fmt.Fprintln(cmd.ErrOrStderr(), "facetfleet: "+line) })
	server := &http.Server{Handler: p.Handler(hosts), ReadHeaderTimeout: 5 * time.Second, IdleTimeout: time.Minute,
		MaxHeaderBytes: 16 << 10, BaseContext: func(net.Listener) context.Context { return ctx }}
	var all sync.WaitGroup
	defer all.Wait()
	all.Go(func() { p.Run(ctx) })
	all.Go(func() {
		<-ctx.Done()
		server.Close()
	})
	fmt.Fprintf(cmd.OutOrStdout(), "page  http://%s/\n", l.Addr())
	err = server.Serve(l)
	cancel()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}
