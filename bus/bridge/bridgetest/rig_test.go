package bridgetest

import (
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"facetd.example/bus/bustest"
	"facetd.example/chipmodel/scene"
)

// TestMain fails when a test leaves a goroutine behind.
func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		Clean()
		os.Exit(code)
	}))
}

// TestARigHasALink: somebody answers at its address while the test runs, no line becomes active, and nothing of it is
// left when the test is over, which TestMain sees.
func TestARigHasALink(t *testing.T) {
	light, err := scene.Parse("uniform:200", nil)
	if err != nil {
		t.Fatal(err)
	}
	rig := Start(t, Config{Array: bustest.MustLinearArray(), Scene: light})
	for began := time.Now(); ; {
		link, err := net.Dial("unix", strings.TrimPrefix(rig.Address, "unix:"))
		if err == nil {
			_ = link.Close()
			break
		}
		if time.Since(began) > 20*time.Second {
			t.Fatal(err)
		}
		time.Sleep(time.Millisecond) // until the process listens
	}
	for _, pin := range rig.Pins(0, 1<<62) { // the select lines are released where a host goes, whatever they were
		if pin.Kind != bustest.PinLines || pin.Value != 0 {
			t.Errorf("without a host: %v", pin)
		}
	}
}
