package motion_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/motion"
	"facetd.example/chipmodel/scene"
	"facetd.example/deploy"
)

// eye is a chip of the demo with the corrected codes of a logarithmic pixel, 563 steps a decade, binned as the demo's
// tasks bin them; its rows take their light one after another.
type eye struct {
	view  *scene.View
	shape motion.Shape
	bin   int
	est   *motion.Estimator
	rays  *motion.Rays
	last  []float64
	hint  *motion.Hint
	flows motion.Flows
}

const rowTime = bustime.Time(8000)

func newEye(camera *geometry.Camera) *eye {
	l := camera.Lattice()
	e := &eye{view: scene.NewView(camera), bin: 2}
	if l.Hexagonal || l.PitchYUm != l.PitchXUm {
		e.bin = 1
	}
	e.shape = motion.Shape{Rows: l.Rows / e.bin, Columns: l.Columns / e.bin, Hexagonal: l.Hexagonal, OddRows: true}
	e.est = motion.NewEstimator(e.shape, motion.Options{NoiseFloor: 0.4})
	half := float64(e.bin-1) / 2
	e.rays = motion.NewRays(camera, e.shape, motion.Grid{Column: float64(e.bin), Row: float64(e.bin) * l.RowPitch(),
		At: func(row, column int) (x, y float64) {
			x, y = l.Centre(row*e.bin, column*e.bin)
			return x + half, y + half*l.RowPitch()
		}})
	return e
}

func (e *eye) frame(s scene.Scene, at bustime.Time, rng *rand.Rand) []float64 {
	l := e.view.Camera().Lattice()
	light := make([]float64, l.Columns)
	out := make([]float64, e.shape.Rows*e.shape.Columns)
	for row := range l.Rows {
		s.Row(light, e.view, row, at+bustime.Time(row)*rowTime)
		for column, lux := range light {
			out[row/e.bin*e.shape.Columns+column/e.bin] += 563 * math.Log10(lux+0.02) / float64(e.bin*e.bin)
		}
	}
	for i := range out {
		out[i] = math.Round(out[i] + 0.5*rng.NormFloat64())
	}
	return out
}

// watch has all chips of the demo look at a scene and calls back with what they tell of each pair, and the time in
// seconds half way between its frames.
func watch(t *testing.T, spec string, frames int, each func(b motion.Body, seconds float64)) {
	t.Helper()
	watchThrough(t, camerasOf(t, 0), spec, frames, func(b motion.Body, _ scene.Scene, at bustime.Time) {
		each(b, float64(at)*1e-9)
	})
}

// camerasOf are those of the chips of the demo, moved out from the middle of the body along their axes.
func camerasOf(t testing.TB, outM float64) (out []*geometry.Camera) {
	t.Helper()
	a, m := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(m) > 0 {
		t.Fatal(m)
	}
	for i := range a.Chips {
		c := a.Chips[i].Camera()
		spec := a.Chips[i].Spec.GetMount()
		m := geometry.Mount{YawDeg: spec.GetYawDeg(), PitchDeg: spec.GetPitchDeg(), RollDeg: spec.GetRollDeg()}
		m.XM, m.YM, m.ZM = c.Attitude().Apply(outM, 0, 0)
		out = append(out, geometry.New(c.Lattice(), m, c.Lens()))
	}
	return out
}

// watchThrough is watch with cameras, and with the scene and the bus time half way between the frames of a pair.
func watchThrough(t *testing.T, cameras []*geometry.Camera, spec string, frames int,
	each func(b motion.Body, s scene.Scene, at bustime.Time)) {
	t.Helper()
	s, err := scene.Parse(spec, nil)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	var eyes []*eye
	for _, c := range cameras {
		eyes = append(eyes, newEye(c))
	}
	const period = bustime.Time(66_666_667)
	var solver motion.Solver
	for k := range frames {
		at := bustime.Time(k) * period
		var parts []motion.Part
		for _, e := range eyes {
			f := e.frame(s, at, rng)
			if e.last != nil {
				got := e.est.Estimate(e.last, f, e.hint)
				e.est.Flow(e.rays, &got, &e.flows)
				e.hint = nil
				if got.Refused == motion.Estimated {
					e.hint = &motion.Hint{X: got.X, Y: got.Y}
				}
				parts = append(parts, motion.Part{Flows: &e.flows, Seconds: float64(period) * 1e-9})
			}
			e.last = f
		}
		if k > 0 {
			each(solver.Solve(parts), s, at-period/2)
		}
	}
}

// swing is yaw and yaw rate of 10 degrees at 0.2 Hz, in radians.
func swing(seconds float64) (yaw, rate float64) {
	sin, cos := math.Sincos(2 * math.Pi * 0.2 * seconds)
	return 10 * math.Pi / 180 * sin, 10 * math.Pi / 180 * 2 * math.Pi * 0.2 * cos
}

// TestDemoTurns: where the crawler only turns, its rate is told, and that nothing else is.
func TestDemoTurns(t *testing.T) {
	var n, squares, product, truths float64
	watch(t, "demo:low=1,high=800,yaw_swing=10,yaw_swing_hz=0.2", 14, func(b motion.Body, seconds float64) {
		_, rate := swing(seconds)
		if !b.Told || !b.RotationOnly || b.Used != 19 {
			t.Errorf("at %.3f s: told %v, rotation only %v, of %d chips", seconds, b.Told, b.RotationOnly, b.Used)
		}
		for k, want := range [3]float64{0, 0, rate} {
			if d := b.Rate[k] - want; math.Abs(d) > 0.006 {
				t.Errorf("at %.3f s: rate %.4f", seconds, b.Rate)
			}
			squares += (b.Rate[k] - want) * (b.Rate[k] - want)
		}
		n++
		product += rate * b.Rate[2]
		truths += rate * rate
	})
	rms, slope := math.Sqrt(squares/n), product/truths
	t.Logf("rms %.4f rad/s, slope %.4f", rms, slope)
	if rms > 0.003 || math.Abs(slope-1) > 0.01 {
		t.Errorf("rms %.4f rad/s, slope %.4f", rms, slope)
	}
}

// TestDemoMoves: where it moves as well, rate, heading and the nearness of the wall beside it are told.
func TestDemoMoves(t *testing.T) {
	var headings, nears []float64
	var n float64
	var squares [3]float64
	watch(t, "demo:low=1,high=800,yaw_swing=10,yaw_swing_hz=0.2,forward_rate=0.1", 14,
		func(b motion.Body, seconds float64) {
			if !b.Told || b.RotationOnly {
				t.Fatalf("at %.3f s: told %v, rotation only %v", seconds, b.Told, b.RotationOnly)
			}
			yaw, rate := swing(seconds)
			sin, cos := math.Sincos(yaw) // the body is turned left: ahead along the pipe is to its right
			headings = append(headings, 180/math.Pi*math.Acos(min(1, b.Heading[0]*cos-b.Heading[1]*sin)))
			for k, want := range [3]float64{0, 0, rate} {
				squares[k] += (b.Rate[k] - want) * (b.Rate[k] - want)
			}
			n++
			for _, c := range b.Chips[:12] {
				nears = append(nears, c.Nearness)
			}
		})
	for k := range squares {
		if rms := math.Sqrt(squares[k] / n); rms > 0.01 {
			t.Errorf("rate about axis %d: rms %.4f rad/s", k, rms)
		}
	}
	slices.Sort(headings)
	slices.Sort(nears)
	heading, near := headings[len(headings)/2], nears[len(nears)/2]
	t.Logf("median of the heading's error %.2f degrees, nearness %.4f a second", heading, near)
	if heading > 1 {
		t.Errorf("heading: median error %.2f degrees", heading)
	}
	if math.Abs(near-0.1/0.3) > 0.03*0.1/0.3 {
		t.Errorf("nearness of the wall %.4f a second, want %.4f", near, 0.1/0.3)
	}
}

// BenchmarkArray is what a set of frames of the demo costs: the estimates of its chips, what they tell of turn and way,
// and the body of 64 chips, which are those of the demo more than once.
func BenchmarkArray(b *testing.B) {
	s, err := scene.Parse("demo:low=1,high=800,yaw_rate=12,forward_rate=0.1", nil)
	if err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	var eyes []*eye
	var frames [][2][]float64
	var told []motion.Estimate
	var parts []motion.Part
	pixels := 0
	const period = bustime.Time(66_666_667)
	for _, c := range camerasOf(b, 0) {
		e := newEye(c)
		pair := [2][]float64{e.frame(s, 0, rng), e.frame(s, period, rng)}
		got := e.est.Estimate(pair[0], pair[1], nil)
		e.est.Flow(e.rays, &got, &e.flows)
		e.hint = &motion.Hint{X: got.X, Y: got.Y}
		eyes, frames, told = append(eyes, e), append(frames, pair), append(told, got)
		parts = append(parts, motion.Part{Flows: &e.flows, Seconds: float64(period) * 1e-9})
		pixels += len(pair[0])
	}
	for len(parts) < 64 {
		parts = append(parts, parts[len(parts)-len(eyes)])
	}
	b.Run("estimates", func(b *testing.B) {
		for b.Loop() {
			for i, e := range eyes {
				e.est.Estimate(frames[i][0], frames[i][1], e.hint)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(pixels), "ns/pixel")
	})
	b.Run("flows", func(b *testing.B) {
		for b.Loop() {
			for i, e := range eyes {
				e.est.Flow(e.rays, &told[i], &e.flows)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(pixels), "ns/pixel")
	})
	b.Run("body", func(b *testing.B) {
		var solver motion.Solver
		for b.Loop() {
			solver.Solve(parts)
		}
	})
}
