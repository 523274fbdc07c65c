package analog

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

type smoothRequest struct {
	Generate    uint64      `json:"generate,omitempty"`
	Rows        int         `json:"rows"`
	DoubleSteps []int       `json:"double_steps"`
	Bench       bool        `json:"bench"`
	Images      [][]float64 `json:"images"`
}

type smoothAnswer struct {
	Gaussian   [][]float64
	Means      [][]float64
	MeansNS    []float64 `json:"means_ns"`
	GaussianNS float64   `json:"gaussian_ns"`
}

// ask runs the script with scipy and numpy.
func ask(t testing.TB, python string, request any, into any) {
	t.Helper()
	in, err := json.Marshal(request)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "testdata/smooth.py")
	cmd.Stdin = bytes.NewReader(in)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, complaint.String())
	}
	if err := json.Unmarshal(out, into); err != nil {
		t.Fatal(err)
	}
}

// doubleSteps shares a square image in alternating pairs, twice for each step.
func doubleSteps(image []float64, rows, steps int) []float64 {
	p := &Plane{Rows: rows, Columns: len(image) / rows, Volts: slices.Clone(image)}
	var s Sharer
	for range steps {
		s.Share(p, 0x55, 0x55, -1)
		s.Share(p, 0xaa, 0xaa, -1)
	}
	return p.Volts
}

// TestBesideGaussianFilter compares smoothing by pair shares with
// scipy.ndimage.gaussian_filter of the same variance, on an image made by numpy from a
// seed: the difference is what it was found to be elsewhere, and falls with the steps.
func TestBesideGaussianFilter(t *testing.T) {
	python := peertest.Python(t, "numpy", "scipy.ndimage")
	var table struct {
		Image []struct {
			Steps int     `json:"double_steps"`
			Sigma float64 `json:"sigma"`
			Max   float64 `json:"max_abs"`
			RMS   float64 `json:"rms"`
		}
	}
	load(t, "gaussian", &table)
	var generated struct{ Image []float64 }
	ask(t, python, smoothRequest{Generate: 20240501}, &generated)
	request := smoothRequest{Rows: 64, Images: [][]float64{generated.Image}}
	for _, r := range table.Image {
		request.DoubleSteps = append(request.DoubleSteps, r.Steps)
		near(t, "sigma", math.Sqrt(2*float64(r.Steps)-0.5), r.Sigma, 1e-12)
	}
	var answers []smoothAnswer
	ask(t, python, request, &answers)
	for i, r := range table.Image {
		got := doubleSteps(generated.Image, 64, r.Steps)
		var squares float64
		for j, v := range got {
			d := v - answers[0].Gaussian[i][j]
			squares += d * d
		}
		near(t, fmt.Sprintf("%d double steps: largest difference", r.Steps), largest(got, answers[0].Gaussian[i]),
			r.Max, 1e-6)
		near(t, fmt.Sprintf("%d double steps: rms difference", r.Steps), math.Sqrt(squares/4096), r.RMS, 1e-6)
	}
}

// TestBesideBlockMeans compares settled shares with numpy's means of blocks.
func TestBesideBlockMeans(t *testing.T) {
	python := peertest.Python(t, "numpy", "scipy.ndimage")
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	p := randomPlane(rand.New(rand.NewPCG(seed, 8)), 32, 48, 0)
	var answers []smoothAnswer
	ask(t, python, smoothRequest{Rows: 32, Images: [][]float64{p.Volts}}, &answers)
	for i, pattern := range []uint8{0x55, 0x77, 0x7f} {
		q := p.clone()
		(&Sharer{}).Share(q, pattern, pattern, -1)
		if d := largest(q.Volts, answers[0].Means[i]); d > 1e-14 {
			t.Errorf("pattern %02x: wrong by %g", pattern, d)
		}
	}
}

// BenchmarkBlockMeans times settled and unsettled shares on small and large images,
// beside numpy's means and scipy's Gaussian filter on the same images where python is
// there. It is a comparison, not a gate.
func BenchmarkBlockMeans(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 9))
	for _, side := range []int{16, 256} {
		p := randomPlane(rng, side, side, 0)
		var beside []smoothAnswer
		b.Run(fmt.Sprintf("%dx%d/peers", side, side), func(b *testing.B) {
			python := peertest.Python(b, "numpy", "scipy.ndimage")
			ask(b, python, smoothRequest{Rows: side, Bench: true, Images: [][]float64{p.Volts}}, &beside)
			b.ReportMetric(beside[0].MeansNS[0], "numpy-2x2-ns/pixel")
			b.ReportMetric(beside[0].GaussianNS, "scipy-gauss-ns/pixel")
			b.ReportMetric(0, "ns/op")
		})
		for i, pattern := range []uint8{0x55, 0x77, 0x7f} {
			b.Run(fmt.Sprintf("%dx%d/blocks-of-%d", side, side, 2<<i), func(b *testing.B) {
				var s Sharer
				q := p.clone()
				for b.Loop() {
					s.Share(q, pattern, pattern, -1)
				}
				report(b, side)
				if len(beside) > 0 {
					ours := float64(b.Elapsed().Nanoseconds()) / float64(b.N) / float64(side*side)
					b.ReportMetric(beside[0].MeansNS[i]/ours, "numpy/ours")
				}
			})
		}
		b.Run(fmt.Sprintf("%dx%d/naive", side, side), func(b *testing.B) {
			q := p.clone()
			for b.Loop() {
				naivePairs(q)
			}
			report(b, side)
		})
		b.Run(fmt.Sprintf("%dx%d/double-step-with-noise", side, side), func(b *testing.B) {
			q := p.clone()
			s := &Sharer{SwitchOhms: 1e4, CellFarads: 1e-13, Kelvin: 300, Noise: NewNoise(1, 1)}
			for b.Loop() {
				s.Share(q, 0x55, 0x55, 5e-9)
				s.Share(q, 0xaa, 0xaa, 5e-9)
			}
			b.ReportMetric(2*float64(b.N)*float64(side*side)/b.Elapsed().Seconds(), "pixels/s") // two shares
		})
	}
}

func report(b *testing.B, side int) {
	b.ReportMetric(float64(b.N)*float64(side*side)/b.Elapsed().Seconds(), "pixels/s")
}

// naivePairs is the baseline: 2 x 2 means by index.
func naivePairs(p *Plane) {
	for r := range p.Rows {
		for c := range p.Columns {
			var sum float64
			for br := r &^ 1; br <= r|1; br++ {
				for bc := c &^ 1; bc <= c|1; bc++ {
					sum += p.Volts[br*p.Columns+bc]
				}
			}
			if r&1 == 1 && c&1 == 1 {
				for br := r - 1; br <= r; br++ {
					p.Volts[br*p.Columns+c-1], p.Volts[br*p.Columns+c] = sum/4, sum/4
				}
			}
		}
	}
}

// TestNoAllocation: once a Sharer has met a pattern, a share allocates nothing.
func TestNoAllocation(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 10))
	p := randomPlane(rng, 24, 24, 0.01)
	s := &Sharer{SwitchOhms: 1, CellFarads: 1, Kelvin: 300, Noise: NewNoise(1, 1), InjectionVolts: 1e-3}
	step := func() {
		for _, seconds := range []float64{4, 9, 60} {
			s.Share(p, 0x55, 0xaa, seconds)
			s.Share(p, 0x7f, 0x77, seconds)
			s.Share(p, 0xff, 0x12, seconds)
		}
	}
	step()
	if n := testing.AllocsPerRun(20, step); n != 0 {
		t.Errorf("%v allocations a run", n)
	}
}
