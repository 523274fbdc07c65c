//go:build unix

package dispatch

import (
	"syscall"
	"testing"
	"time"

	"facetd.example/chipmodel/scene"
)

// BenchmarkDemo reports how many seconds of bus time a second gives at the free pace, and how much of a processor a
// second of bus time takes: under the demo's own light, through which the crawler moves, and standing still,
// where every pixel is wanted and where nobody is known to want any.
func BenchmarkDemo(b *testing.B) {
	const stretch = 2 * time.Second
	const moving = "demo:low=1,high=800,yaw_swing=10,yaw_swing_hz=0.2,forward_rate=0.1,travel=1"
	for _, c := range []struct {
		name, scene string
		unwanted    bool
	}{{"moving", moving, false}, {"moving-unwanted", moving, true}, {"still", "demo:low=1,high=800", false}} {
		light, err := scene.Parse(c.scene, nil)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(c.name, func(b *testing.B) {
			var busy time.Duration
			for b.Loop() {
				b.StopTimer()
				r := demoRigUnder(b, light, 1, stretch, func(cfg *Config) {
					if c.unwanted {
						cfg.Observer, cfg.Wanted = &laterWatcher{}, func(string) bool { return false }
					}
				})
				before := processorTime(b)
				b.StartTimer()
				if err := r.Run(b.Context()); err != nil {
					b.Fatal(err)
				}
				busy += processorTime(b) - before
			}
			simulated := stretch.Seconds() * float64(b.N)
			b.ReportMetric(simulated/b.Elapsed().Seconds(), "bus-s/s")
			b.ReportMetric(100*busy.Seconds()/simulated, "cpu-%")
		})
	}
}

// processorTime is what this process has taken of the processors so far.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
