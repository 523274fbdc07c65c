package link

import (
	"os"
	"testing"

	"go.uber.org/goleak"

	"facetd.example/bus/bridge/bridgetest"
)

// TestMain fails when a test leaves a goroutine behind.
func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		bridgetest.Clean()
		os.Exit(code)
	}))
}
