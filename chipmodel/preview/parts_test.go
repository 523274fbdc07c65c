package preview

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/chiptest"
)

// TestEveryCombinationOfParts: an ideal chip of any make shows the light that it is given,
// and in pairs of columns, where it has switches, their means: of the light when they are
// joined before it is sensed, of the signals when they share what was loaded.
func TestEveryCombinationOfParts(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	in := Matrix{12, 12, make([]float64, 144)}
	for n := range chiptest.Combinations {
		spec := chiptest.Class(n)
		spec.TemperatureK = 300
		c := &chipmodel.Class{Name: spec.GetName(), Rows: 12, Columns: 12, Bits: 12, Spec: spec}
		for i := range in.Pixels {
			in.Pixels[i] = 20 + 12*r.Float64()
		}
		request := Request{Class: c, Input: in, Unit: Lux, Ideal: true}
		trim := &facetdv1.TrimSettings{}
		if c.HasRegister(chipmodel.Gain) {
			trim.GainIndex, trim.Offset = uint32(r.IntN(3)), int32(r.IntN(20))
		}
		if c.HasRegister(chipmodel.PixelBias) {
			trim.PixelBias = proto.Uint32(uint32(80 + r.IntN(40)))
		}
		if proto.Size(trim) > 0 {
			request.View = &facetdv1.View{Trim: trim}
		}
		got, m := Run(request)
		if m.Err() != nil {
			t.Fatal(c.Parts(), m)
		}
		if d := difference(got, in); d > 1e-6 {
			t.Fatalf("combination %d (%s): light is off by %g lux", n, c.Parts(), d)
		}
		if !c.HasPatterns() {
			continue
		}
		request.Columns = []string{"10101010"}
		if got, m = Run(request); m.Err() != nil {
			t.Fatal(c.Parts(), m)
		}
		want := Matrix{12, 12, make([]float64, 144)}
		for i := range want.Pixels {
			x, y := in.Pixels[i&^1], in.Pixels[i|1]
			want.Pixels[i] = (x + y) / 2
			if c.HasMemory() && spec.GetLinear() == nil {
				const dark = 0.01
				want.Pixels[i] = math.Sqrt((x+dark)*(y+dark)) - dark
			}
		}
		if d := difference(got, want); d > 1e-6 {
			t.Fatalf("combination %d (%s): means of pairs are off by %g lux", n, c.Parts(), d)
		}
	}
}
