package motion_test

import (
	"fmt"
	"math"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/motion"
	"facetd.example/chipmodel/scene"
	"facetd.example/deploy"
)

// TestFewChipsTellNoMoreThanTheyKnow: one chip of the demo, or two, or three that look the same way, know little of
// turn
// and way apart, the less the nearer a wall ahead is. What they tell of a way is that of the scene, by the standard
// deviations told, and they say it at all where pictures carry it.
func TestFewChipsTellNoMoreThanTheyKnow(t *testing.T) {
	a, _ := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	told, wrong, pairs := 0, 0, 0
	for i, names := range [][]string{{"bow-comb"}, {"bow-left", "bow-right"}, {"bow-left"},
		{"bow-comb", "bow-left", "bow-right"}, {"wall-00"}, {"wall-00", "wall-04"}} {
		if i >= peertest.Cases(2, 6) {
			break
		}
		var cameras []*geometry.Camera
		for _, n := range names {
			cameras = append(cameras, a.Chips[a.Chip(n)].Camera())
		}
		for _, spec := range []string{"forward=0.3", "forward=0.7,yaw_swing=10,yaw_swing_hz=0.2", "forward=0.8"} {
			watchThrough(t, cameras, "demo:low=1,high=800,end=1,forward_rate=0.1,"+spec, 10,
				func(b motion.Body, s scene.Scene, at bustime.Time) {
					pairs++
					if b.ChiSquared < 0 || length(b.Rate) > 3 {
						t.Errorf("%v, %s: rate %.3g, chi squared %g", names, spec, b.Rate, b.ChiSquared)
					}
					if !b.Told || b.RotationOnly {
						return
					}
					told++
					if what := besideTruth(&b, cameras, s, at); what != "" {
						wrong++
						t.Logf("%v, %s, at %.2f s: %s", names, spec, float64(at)*1e-9, what)
					}
				})
		}
	}
	t.Logf("of %d pairs %d tell a way, %d of those are wrong", pairs, told, wrong)
	if told < pairs/5 || wrong > told/10 {
		t.Error("few chips tell next to nothing, or what is not so")
	}
}

// besideTruth says what is more than four standard deviations from what the scene knows.
func besideTruth(b *motion.Body, cameras []*geometry.Camera, s scene.Scene, at bustime.Time) string {
	const most = 4
	truth, _ := scene.TruthAt(s, at)
	speed := length(truth.VelocityMPerS)
	for k := range 3 {
		if d := b.Rate[k] - truth.RateRadPerS[k]; math.Abs(d) > most*math.Sqrt(b.RateCovariance[k][k]) {
			return fmtOff("rate", b.Rate[k], truth.RateRadPerS[k], b.RateCovariance[k][k])
		}
		want := truth.VelocityMPerS[k] / speed
		if math.Abs(b.Heading[k]-want) > most*math.Sqrt(b.HeadingCovariance[k][k])+0.1 {
			return fmtOff("heading", b.Heading[k], want, b.HeadingCovariance[k][k])
		}
	}
	for i, c := range b.Chips {
		want := speed / scene.SeesAt(s, cameras[i], 0, 0, at).DistanceM
		if math.Abs(c.Nearness-want) > most*math.Sqrt(c.Variance)+0.1*want { // of the frame, not of its middle
			return fmtOff("nearness", c.Nearness, want, c.Variance)
		}
	}
	return ""
}

func fmtOff(what string, got, want, variance float64) string {
	return fmt.Sprintf("%s %.4g +- %.2g, want %.4g", what, got, math.Sqrt(variance), want)
}
