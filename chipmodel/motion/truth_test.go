package motion_test

import (
	"math"
	"slices"
	"testing"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/motion"
	"facetd.example/chipmodel/scene"
)

func length(v [3]float64) float64 { return math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2]) }

func median(v []float64) float64 {
	slices.Sort(v)
	return v[len(v)/2]
}

// TestMountsApartBesideTheTruth: chips 8 cm out from the middle of a body that turns on its way through a pipe, of
// which the wall is 22 cm from them, tell turn, heading and nearness as the scene has them, and about the speed. With
// the chips taken to be in the middle the turn errs by a tenth.
func TestMountsApartBesideTheTruth(t *testing.T) {
	cameras := camerasOf(t, 0.08)
	var rates, n float64
	var headings, speeds, nears []float64
	watchThrough(t, cameras, "demo:low=1,high=800,yaw_swing=15,yaw_swing_hz=0.5,forward_rate=0.1", 14,
		func(b motion.Body, s scene.Scene, at bustime.Time) {
			truth, ok := scene.TruthAt(s, at)
			if !ok || !b.Told || b.RotationOnly {
				t.Fatalf("at %v: truth %v, told %v, rotation only %v", at, ok, b.Told, b.RotationOnly)
			}
			w, v := truth.RateRadPerS, truth.VelocityMPerS
			for k := range w {
				rates += (b.Rate[k] - w[k]) * (b.Rate[k] - w[k])
				n++
			}
			cos := (b.Heading[0]*v[0] + b.Heading[1]*v[1] + b.Heading[2]*v[2]) / length(v)
			headings = append(headings, 180/math.Pi*math.Acos(min(1, cos)))
			if b.Speed > 0 {
				speeds = append(speeds, b.Speed/length(v))
			}
			for i, c := range b.Chips[:12] {
				x, y, z := cameras[i].Place()
				lens := [3]float64{v[0] + w[1]*z - w[2]*y, v[1] + w[2]*x - w[0]*z, v[2] + w[0]*y - w[1]*x}
				nears = append(nears, c.Nearness*scene.SeesAt(s, cameras[i], 0, 0, at).DistanceM/length(lens))
			}
		})
	rms, heading, speed, near := math.Sqrt(rates/n), median(headings), median(speeds), median(nears)
	t.Logf("rates %.4f rad/s rms; medians: heading's error %.2f degrees, speed %.2f and nearness %.3f of the truth",
		rms,
		heading, speed, near)
	if rms > 0.01 || heading > 1 || math.Abs(near-1) > 0.03 || math.Abs(speed-1) > 0.15 {
		t.Error("turn, heading, speed or nearness are not those of the scene")
	}
}

// TestTimeToContactBesideTheTruth: from two seconds before the crawler meets the end of the pipe, all chips that look
// ahead tell together when, until it is so near that what they see grows by a tenth from frame to frame; each by itself
// does so less exactly.
func TestTimeToContactBesideTheTruth(t *testing.T) {
	pairs, within := 0, 0
	var chips []float64
	watchThrough(t, camerasOf(t, 0), "demo:low=1,high=800,forward_rate=0.1,end=0.21", 19,
		func(b motion.Body, s scene.Scene, at bustime.Time) {
			want := 2.1 - float64(at)*1e-9
			pairs++
			if math.Abs(b.ContactSeconds/want-1) < 0.05 {
				within++
			}
			if d := math.Abs(b.ContactSeconds - want); d > 0.1*want || d > 4*math.Sqrt(b.ContactVariance)+0.03*want {
				t.Errorf("%.3f s before: %.3f +- %.3f", want, b.ContactSeconds, math.Sqrt(b.ContactVariance))
			}
			for _, c := range b.Chips {
				if c.ContactSeconds > 0 {
					chips = append(chips, math.Abs(c.ContactSeconds/want-1))
				}
			}
			t.Logf("%.3f s before: %.3f +- %.3f", want, b.ContactSeconds/want, math.Sqrt(b.ContactVariance)/want)
		})
	one := median(chips)
	t.Logf("%d of %d within 5 %%; a chip by itself errs by %.3f in the median of %d", within, pairs, one, len(chips))
	if within < pairs-1 || one > 0.1 {
		t.Error("times to contact are not those of the scene")
	}
}
