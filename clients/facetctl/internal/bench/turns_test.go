package bench

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/motion"
	"facetd.example/chipmodel/scene"
)

// turnRate is in degrees a second.
const turnRate = 24.0

// turned is what a chip on a real mount behind a real lens tells of the body turning at turnRate about the
// named axis, by codes of a logarithmic pixel, as an estimator says that goes by the described mount and lens.
func turned(t *testing.T, s scene.Scene, axis string, real, described geometry.Mount, realFOV float64,
	rng *rand.Rand) (out []Told) {
	t.Helper()
	const side, fov = 24, 34.0
	lattice := geometry.Lattice{Rows: side, Columns: side, PitchXUm: 24, PitchYUm: 24}
	v := scene.NewView(geometry.New(lattice, real,
		geometry.Lens{HorizontalFOVDeg: realFOV, VerticalFOVDeg: realFOV, BlurPixels: 0.5}))
	shape := motion.Shape{Rows: side, Columns: side}
	rays := motion.NewRays(geometry.New(lattice, described,
		geometry.Lens{HorizontalFOVDeg: fov, VerticalFOVDeg: fov, BlurPixels: 0.5}), shape,
		motion.Grid{Column: 1, Row: 1, At: lattice.Centre})
	estimator := motion.NewEstimator(shape, motion.Options{NoiseFloor: 0.4})
	moving, err := scene.Moved(s, map[string]scene.Motion{"yaw": {YawRateDegPerS: turnRate},
		"pitch": {PitchRateDegPerS: turnRate}}[axis])
	if err != nil {
		t.Fatal(err)
	}
	var last []float64
	var flows motion.Flows
	const seconds = 0.05
	row := make([]float64, side)
	for n := range 9 {
		var codes []float64
		for r := range side {
			moving.Row(row, v, r, bustime.Time(n)*bustime.Time(seconds*1e9))
			for _, lux := range row {
				codes = append(codes, math.Round(400+563*math.Log10(lux)+0.5*rng.NormFloat64()))
			}
		}
		if last != nil {
			got := estimator.Estimate(last, codes, nil)
			if got.Refused != motion.Estimated {
				t.Fatalf("pair %d of %+v: %v", n, real, got.Refused)
			}
			estimator.Flow(rays, &got, &flows)
			turn := flows.Whole.Turn()
			p := Told{Job: uint64(n), ShiftPx: math.Hypot(got.X, got.Y)}
			for i := range 3 {
				p.Rate[i] = turn.Angle[i] / seconds
				for k := range 3 {
					p.Information[i][k] = turn.Information[i][k] * seconds * seconds
				}
			}
			out = append(out, p)
		}
		last = codes
	}
	return out
}

// planted are chips with their mounts as described and as they really are.
func planted(rng *rand.Rand) (described, real map[string]geometry.Mount) {
	described, real = map[string]geometry.Mount{}, map[string]geometry.Mount{}
	some := func() float64 { return (3 + 2*rng.Float64()) * float64(2*rng.IntN(2)-1) }
	for i, yaw := range []float64{90, -90, 11, -11} {
		name := "acde"[i : i+1]
		m := geometry.Mount{YawDeg: yaw, PitchDeg: []float64{45, -15, 0, 0}[i], XM: 0.1}
		described[name] = m
		m.YawDeg += some()
		m.PitchDeg += some()
		m.RollDeg += some()
		if name == "c" {
			m.RollDeg += 90 // and one is turned by a quarter
		}
		real[name] = m
	}
	real["d"] = described["d"] // and one is right
	return described, real
}

func asBench(m geometry.Mount) Mount {
	return Mount{m.YawDeg, m.PitchDeg, m.RollDeg, [3]float64{m.XM, m.YM, m.ZM}}
}

// TestPlantedMountsAreFound: chips that are mounted some degrees, or a quarter, from where the array file has them are
// found by what they really see of two turns, whether their rates are known or not, with an honest uncertainty; with
// rates also fields of view that are not as described. One that is right is not called wrong.
func TestPlantedMountsAreFound(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	s, err := lit()
	if err != nil {
		t.Fatal(err)
	}
	described, real := planted(rng)
	mounts := map[string]Mount{}
	for chip, m := range described {
		mounts[chip] = asBench(m)
	}
	for _, known := range []bool{false, true} {
		fov := map[string]float64{"e": 34}
		if known {
			fov["e"] = 37 // the lens of e shows more than described
		}
		var turns []BodyTurn
		for _, name := range []string{"yaw", "pitch"} {
			axis, _ := AxisOf(name)
			turn := BodyTurn{Axis: axis, Chips: map[string][]Told{}}
			if known {
				turn.RateRadPerS = turnRate * math.Pi / 180
			}
			for chip := range described {
				real34 := 34.0
				if chip == "e" {
					real34 = fov["e"]
				}
				turn.Chips[chip] = turned(t, s, name, real[chip], described[chip], real34, rng)
			}
			turns = append(turns, turn)
		}
		found, err := Attitudes(mounts, turns)
		if err != nil || len(found) != len(described) {
			t.Fatal(found, err)
		}
		for _, a := range found {
			want := asBench(real[a.Chip])
			off := logOf(a.Measured.matrix().by(want.matrix().transposed()))
			error := math.Sqrt(off.dot(off)) * 180 / math.Pi
			t.Logf("rates known %v, %s: off by %.2f deg, found within %.3f; sd %.3f %.3f %.3f, scale %.4f +- %.4f, "+
				"chi %.2f", known,
				a.Chip, a.OffDeg, error, a.Sd.YawDeg, a.Sd.PitchDeg, a.Sd.RollDeg, a.Scale, a.ScaleSd, a.ChiSquared)
			sd := math.Sqrt(a.Sd.YawDeg*a.Sd.YawDeg + a.Sd.PitchDeg*a.Sd.PitchDeg + a.Sd.RollDeg*a.Sd.RollDeg)
			if error > min(2, 4*sd) || a.OffSdDeg > 1.8 {
				t.Errorf("%s is mounted at %+v, found %+v", a.Chip, want, a.Measured)
			}
			if a.Changed() != (a.Chip != "d") {
				t.Errorf("%s: %+v, changed %v", a.Chip, a, a.Changed())
			}
			if !strings.HasPrefix(a.Line(), "mount: {yaw_deg: ") || !strings.HasSuffix(a.Line(), ", x_m: 0.1}") {
				t.Error(a.Line())
			}
			scale := 1.0
			if a.Chip == "e" && known {
				scale = math.Tan(17*math.Pi/180) / math.Tan(18.5*math.Pi/180)
			}
			if math.Abs(a.Scale-scale) > 0.02 {
				t.Errorf("%s: scale %.4f, want %.4f", a.Chip, a.Scale, scale)
			}
		}
	}
}
