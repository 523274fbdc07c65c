package campaign

import (
	"os"
	"runtime/debug"
	"testing"

	"go.uber.org/goleak"

	"facetd.example/bus/bridge/bridgetest"
)

// TestMain fails when a test leaves a goroutine behind. Runs make much garbage and keep little.
func TestMain(m *testing.M) {
	debug.SetGCPercent(400)
	code := m.Run()
	bridgetest.Clean()
	if err := goleak.Find(); err != nil && code == 0 {
		println(err.Error())
		code = 1
	}
	os.Exit(code)
}
