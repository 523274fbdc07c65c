// Command facetfleet is for many robots: it connects daemons to a hub, a NATS server with JetStream, and shows people
// there the robots' status, events and frames, and changes their tasks together.
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
	a := &app{env: os.Getenv}
	os.Exit(cli.Execute(ctx, newRoot(a), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
