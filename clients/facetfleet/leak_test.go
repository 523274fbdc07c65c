package main

import (
	"os"
	"testing"

	"go.uber.org/goleak"

	"facetd.example/api/peertest"
)

// TestMain fails when a test leaves a goroutine behind. Tests here wait for processes.
func TestMain(m *testing.M) {
	peertest.Parallel(8)
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		if built.dir != "" {
			os.RemoveAll(built.dir)
		}
		os.Exit(code)
	}))
}
