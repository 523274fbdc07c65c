package bridge

import (
	"fmt"
	"os"
	"testing"

	"go.uber.org/goleak"

	"facetd.example/bus/bridge/bridgetest"
)

// TestMain fails when a test leaves a goroutine behind. For TestAKilledHost this binary is a host.
func TestMain(m *testing.M) {
	if address := os.Getenv(hostOf); address != "" {
		fmt.Fprintln(os.Stderr, "the host has ended:", beHost(address))
		os.Exit(1)
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		bridgetest.Clean()
		os.Exit(code)
	}))
}
