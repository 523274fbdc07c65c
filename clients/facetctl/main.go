// Command facetctl talks to a facetd daemon from the command line: its status,
// chips, tasks, frames, plans and select words. It is a client like any other and
// uses the public schema alone.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"facetd.example/api/cli"
)

// version is set by the linker in a release: -ldflags "-X main.version=1.2.3".
var version = cli.Unstamped

func main() {
	// It is never undone: a signal that comes between that and the end would kill the process, whose work is done.
	ctx, _ := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	a := &app{env: os.Getenv, terminal: terminalOf(os.Stdout)}
	status := cli.Execute(ctx, newRoot(a), os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	os.Exit(status)
}
