package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"facetd.example/api/cli"
)

func healthcheckCommand() *cobra.Command {
	var to cli.Connection
	var limit time.Duration
	cmd := &cobra.Command{
		Use:   "healthcheck",
		Short: "Ask a running daemon whether its timetable runs",
		Long: `healthcheck asks a daemon for its gRPC health and exits with status 0 while the timetable
runs, else with 1. It is for containers and supervisors, where no other program is at
hand. A Unix socket or a loopback address asks for nothing; others take TLS and a token.`,
		Example: `  facetd healthcheck
  facetd healthcheck --address unix:/run/facetd/facetd.sock`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if limit <= 0 {
				return cli.Usagef("--timeout %s: give a time above zero", limit)
			}
			conn, err := to.Dial()
			if err != nil {
				return err
			}
			defer conn.Close()
			ctx, cancel := context.WithTimeout(cmd.Context(), limit)
			defer cancel()
			answer, err := grpc_health_v1.NewHealthClient(conn).Check(ctx, &grpc_health_v1.HealthCheckRequest{})
			if err != nil {
				s := status.Convert(err)
				lines := append([]string{fmt.Sprintf("the daemon at %s gives no answer: %s", to.Address, s.Message())},
					to.Hints(s.Code(), s.Message(), time.Now())...)
				return fmt.Errorf("%s", strings.Join(lines, "\n"))
			}
			if answer.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
				return fmt.Errorf("the daemon at %s says %s: its timetable does not run", to.Address,
					answer.GetStatus())
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(), answer)
			}
			fmt.Fprintln(cmd.OutOrStdout(), "serving")
			return nil
		},
	}
	to.Register(cmd.Flags(), os.Getenv)
	cmd.Flags().DurationVar(&limit, "timeout", 3*time.Second, "give up after this long")
	return cmd
}
