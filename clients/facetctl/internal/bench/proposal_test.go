package bench

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// TestProposalsHoldStill: at the rate proposed every frame sees the light at the same phase, at the other one the mean
// of two in turn is without it, and no such rate is nearer to that of the task; the beat is what frames really show.
func TestProposalsHoldStill(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 200 {
		f := &Flicker{Found: true, LightHz: 80 + 60*rng.Float64()}
		rate := math.Exp(rng.Float64()*6) - 0.5
		p, ok := f.Propose("t", rate)
		if !ok || p.Task != "t" || p.RateHz != rate {
			t.Fatal(p, ok)
		}
		cycles, halves := f.LightHz/p.StillHz, 2*f.LightHz/p.PairHz
		if math.Abs(cycles-math.Round(cycles)) > 1e-9 || math.Abs(math.Mod(halves, 2)-1) > 1e-9 {
			t.Fatalf("light of %v Hz at %v Hz: %+v", f.LightHz, rate, p)
		}
		for k := 1.0; k < 400; k++ {
			if math.Abs(f.LightHz/k-rate) < math.Abs(p.StillHz-rate)-1e-9 ||
				math.Abs(2*f.LightHz/(2*k-1)-rate) < math.Abs(p.PairHz-rate)-1e-9 {
				t.Fatalf("light of %v Hz at %v Hz: %+v, but %v is nearer", f.LightHz, rate, p, k)
			}
		}
		// Frames at the rate show the beat: cos of the light's phase is that of the beat's.
		for n := range 50 {
			at := float64(n) / rate
			if d := math.Cos(2*math.Pi*f.LightHz*at) - math.Cos(2*math.Pi*p.BeatHz*at); math.Abs(d) > 1e-6 {
				t.Fatalf("light of %v Hz at %v Hz does not beat at %v Hz", f.LightHz, rate, p.BeatHz)
			}
		}
	}
	if _, ok := (&Flicker{LightHz: 100}).Propose("t", 15); ok {
		t.Error("without a flicker a rate is proposed")
	}
}
