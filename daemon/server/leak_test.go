package server

import (
	"os"
	"testing"

	"go.uber.org/goleak"

	"facetd.example/api/peertest"
	"facetd.example/bus/bridge/bridgetest"
)

// TestMain fails when a test leaves a goroutine behind.
func TestMain(m *testing.M) {
	peertest.Parallel(3) // one of them waits for an outside program, which looks twice a second
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		bridgetest.Clean()
		os.Exit(code)
	}))
}
