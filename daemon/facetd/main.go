// Command facetd operates an array of image-sensor chips on one bus: it runs the
// daemon, and answers offline what an array file, its wiring and a set of tasks
// amount to.
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
	status := cli.Execute(ctx, newRoot(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	os.Exit(status)
}
