package bridge

import (
	"testing"

	"go.uber.org/goleak"

	"facetd.example/bus/bridge/bridgetest"
)

// TestMain fails when a test leaves a goroutine behind.
func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.Cleanup(func(int) { bridgetest.Clean() }))
}
