package motion

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os/exec"
	"testing"

	"facetd.example/api/peertest"
)

// TestBesidePhaseCorrelation compares what is told of pictures that were shifted through their Fourier transform with
// what skimage's phase_cross_correlation says of them. Such pictures are periodic, which phase correlation needs and
// the estimator does not use.
func TestBesidePhaseCorrelation(t *testing.T) {
	python := peertest.Python(t, "numpy", "skimage.registration")
	seed := peertest.Seed(t) >> 32
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	const side = 32
	request := struct {
		Side   int          `json:"side"`
		Seed   uint64       `json:"seed"`
		Shifts [][2]float64 `json:"shifts"`
	}{Side: side, Seed: seed}
	for range peertest.Cases(20, 400) {
		request.Shifts = append(request.Shifts, [2]float64{6*rng.Float64() - 3, 6*rng.Float64() - 3})
	}
	asked, err := json.Marshal(request)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), python, "testdata/shifted.py")
	cmd.Stdin = bytes.NewReader(asked)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var answers []struct {
		First, Second []float64
		X, Y          float64
	}
	if err := json.Unmarshal(out, &answers); err != nil {
		t.Fatal(err)
	}
	e := NewEstimator(Shape{Rows: side, Columns: side}, Options{})
	var beside, truth float64
	for i, a := range answers {
		got := e.Estimate(a.First, a.Second, nil)
		if got.Refused != Estimated {
			t.Fatalf("shift %v: %v", request.Shifts[i], got.Refused)
		}
		beside += (got.X-a.X)*(got.X-a.X) + (got.Y-a.Y)*(got.Y-a.Y)
		x, y := got.X-request.Shifts[i][0], got.Y-request.Shifts[i][1]
		truth += x*x + y*y
	}
	n := 2 * float64(len(answers))
	t.Logf("rms beside skimage %.4f px, beside the truth %.4f px", math.Sqrt(beside/n), math.Sqrt(truth/n))
	if math.Sqrt(beside/n) > 0.03 || math.Sqrt(truth/n) > 0.03 {
		t.Errorf("the shifts differ by %.4f px rms from skimage's, by %.4f from the truth", math.Sqrt(beside/n),
			math.Sqrt(truth/n))
	}
}
