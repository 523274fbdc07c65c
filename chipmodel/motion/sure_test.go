package motion_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/motion"
	"facetd.example/chipmodel/scene"
)

// TestRatesAreAsSureAsTheyAreTold: under turns of the whole array that move pictures by odd and even numbers of pixels,
// and corners by other ones than the middle, errors of the rate about each axis are as large as the standard deviations
// told.
func TestRatesAreAsSureAsTheyAreTold(t *testing.T) {
	var all, n float64
	for _, degrees := range []float64{6, 12, -15, 20, 40, 60} {
		var squares, z [3]float64
		pairs := 0.0
		watchThrough(t, camerasOf(t, 0), fmt.Sprintf("demo:low=1,high=800,yaw_rate=%g", degrees), 5,
			func(b motion.Body, s scene.Scene, at bustime.Time) {
				truth, _ := scene.TruthAt(s, at)
				pairs++
				for k, want := range truth.RateRadPerS {
					d := b.Rate[k] - want
					squares[k] += d * d
					z[k] += d * d / b.RateCovariance[k][k]
				}
			})
		for k := range z {
			all, n = all+z[k], n+pairs
			if one := math.Sqrt(z[k] / pairs); !(one < 2) {
				t.Errorf("%g degrees a second, axis %d: %.5f rad/s rms, %.2f standard deviations", degrees, k,
					math.Sqrt(squares[k]/pairs), one)
			}
		}
	}
	rms := math.Sqrt(all / n)
	t.Logf("errors of %.2f standard deviations rms", rms)
	if !(rms > 0.6 && rms < 2) {
		t.Errorf("errors of %.2f standard deviations rms", rms)
	}
}

// TestFlowsAreToldAgain: what a pair tells is the same however often it is asked for, also where each pixel moved by
// itself.
func TestFlowsAreToldAgain(t *testing.T) {
	s, err := scene.Parse("demo:low=1,high=800,yaw_rate=60,forward_rate=0.1", nil)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(2, 2))
	for i, c := range camerasOf(t, 0)[8:] {
		e := newEye(c)
		got := e.est.Estimate(e.frame(s, 0, rng), e.frame(s, 66_666_667, rng), nil)
		var first, again motion.Flows
		e.est.Flow(e.rays, &got, &first)
		e.est.Flow(e.rays, &got, &again)
		if first != again {
			t.Errorf("chip %d tells otherwise when it is asked again", i+8)
		}
	}
}

// TestSmallFramesThatTurnAreTold: frames of any shape whose corners move otherwise than their middle are compared, and
// what they tell are numbers.
func TestSmallFramesThatTurnAreTold(t *testing.T) {
	camera := camerasOf(t, 0)[0]
	rng := rand.New(rand.NewPCG(4, 4))
	told := 0
	for rows := 1; rows <= 24; rows++ {
		for columns := 1; columns <= 24; columns++ {
			s := motion.Shape{Rows: rows, Columns: columns, Hexagonal: (rows+columns)%3 == 0, OddRows: rows%2 == 0}
			if s.TooSmall() || len(s.Check()) > 0 {
				continue
			}
			rays := motion.NewRays(camera, s, motion.Grid{Column: 1, Row: 1,
				At: func(row, column int) (x, y float64) { return float64(column), float64(row) }})
			est := motion.NewEstimator(s, motion.Options{NoiseFloor: 0.3})
			var pair [2][]float64
			for k := range pair {
				for i := range rows * columns {
					x, y := float64(i%columns-columns/2), float64(i/columns-rows/2) // turned by a tenth of a radian
					x, y = x+0.1*float64(k)*y+0.9*float64(k), y-0.1*float64(k)*x
					v := 300 * (math.Sin(0.7*x+0.3*y) + math.Sin(0.2*x-0.8*y))
					pair[k] = append(pair[k], v+0.3*rng.NormFloat64())
				}
			}
			got := est.Estimate(pair[0], pair[1], nil)
			var flows motion.Flows
			est.Flow(rays, &got, &flows)
			if square := flows.Whole.Square; got.Refused == motion.Estimated && !(square > 0) || math.IsInf(square, 1) {
				t.Errorf("%d x %d: squares %g", rows, columns, square)
			}
			if flows.Whole.Pixels > 0 {
				told++
			}
		}
	}
	if told < 200 {
		t.Errorf("only %d shapes tell anything", told)
	}
}
