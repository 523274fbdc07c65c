package health

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
)

const testHighest = 4095

// seeded is a generator whose seed is printed.
func seeded(t *testing.T) *rand.Rand {
	t.Helper()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

func frameOf(rows, columns int, codes []uint16) *facetdv1.Frame {
	data := make([]byte, 0, 2*len(codes))
	for _, c := range codes {
		data = binary.LittleEndian.AppendUint16(data, c)
	}
	return &facetdv1.Frame{View: "v", Rows: uint32(rows), Columns: uint32(columns), SignificantBits: 12, Data: data}
}

// drawn are codes that a function of row and column gives, rounded and clipped.
func drawn(rows, columns int, at func(r, c int) float64) []uint16 {
	out := make([]uint16, rows*columns)
	for i := range out {
		out[i] = uint16(math.Round(min(max(at(i/columns, i%columns), 0), testHighest)))
	}
	return out
}

var ordinary = &Expected{LaneNoise: 0.5, Pattern: 15, Noise: 1.2, Highest: testHighest}

// TestNoiseOfStillPictures: whatever still picture there is, the noise that was put in is measured, also where the
// light grows or fades meanwhile.
func TestNoiseOfStillPictures(t *testing.T) {
	draw := seeded(t)
	for range 30 {
		rows, columns := 24+draw.IntN(40), 24+draw.IntN(40)
		sigma := 0.5 + 8*draw.Float64()
		slope, wave, pattern := 40*draw.Float64(), 300*draw.Float64(), make([]float64, rows*columns)
		for i := range pattern {
			pattern[i] = 15 * draw.NormFloat64()
		}
		take := func(light float64) []uint16 {
			return drawn(rows, columns, func(r, c int) float64 {
				return 1500 + light + slope*float64(c-columns/2) + wave*math.Sin(float64(r)/3) + pattern[r*columns+c] +
					sigma*draw.NormFloat64()
			})
		}
		var m noiseMeter
		told, sum := 0, 0.0
		for range 10 {
			got := m.between(take(0), take(5), rows, columns)
			if got < 0 {
				continue // by chance it looked as if something had moved
			}
			told++
			sum += got
		}
		got, want := sum/float64(told), math.Hypot(sigma, 1/math.Sqrt(12))
		if told < 4 || math.Abs(got-want) > 0.25*want+0.1 {
			t.Errorf("%d x %d: noise %.2f, told in %d of 10, want %.2f", rows, columns, got, told, want)
		}
	}
}

// TestNoiseOfMovingPictures: a picture that moves is not taken for noise.
func TestNoiseOfMovingPictures(t *testing.T) {
	draw := seeded(t)
	for range 50 {
		rows, columns := 16+draw.IntN(40), 16+draw.IntN(40)
		phase := [4]float64{draw.Float64() * 6, draw.Float64() * 6, draw.Float64() * 6, draw.Float64() * 6}
		take := func(dx, dy float64) []uint16 {
			return drawn(rows, columns, func(r, c int) float64 {
				x, y := float64(c)+dx, float64(r)+dy
				return 2000 + 200*math.Sin(x/7+phase[0]) + 150*math.Sin(y/5+phase[1]) + 90*math.Sin((x+y)/3+phase[2]) +
					40*math.Sin(x/1.3-y/1.7+phase[3]) + draw.NormFloat64()
			})
		}
		var m noiseMeter
		if got := m.between(take(0, 0), take(0.5+2*draw.Float64(), 2*draw.Float64()), rows, columns); got >
			ordinary.NoiseLimit() {
			t.Errorf("%d x %d: a picture that moves is noise of %.2f codes", rows, columns, got)
		}
	}
}

// TestPartOfAPattern: beside least squares written out, and near the part that was put in.
func TestPartOfAPattern(t *testing.T) {
	draw := seeded(t)
	for range 50 {
		rows, columns := 12+draw.IntN(20), 12+draw.IntN(20)
		p := &Pattern{Codes: make([]float32, rows*columns)}
		for i := range p.Codes {
			p.Codes[i] = float32(12 * draw.NormFloat64())
			if draw.IntN(50) == 0 {
				p.Defective = append(p.Defective, i)
			}
		}
		want := draw.Float64() * 1.2
		codes := drawn(rows, columns, func(r, c int) float64 {
			return 2000 + 10*float64(c) + want*float64(p.Codes[r*columns+c]) + draw.NormFloat64()
		})
		for _, i := range p.Defective {
			codes[i] = 4000
		}
		got, off := partOf(codes, columns, p)
		var xy, xx float64
		bad := map[int]bool{}
		for _, i := range p.Defective {
			bad[i] = true
		}
		for r := range rows {
			for c := range columns - 1 {
				i := r*columns + c
				if !bad[i] && !bad[i+1] {
					d := float64(p.Codes[i+1] - p.Codes[i])
					xy += d * (float64(codes[i+1]) - float64(codes[i]))
					xx += d * d
				}
			}
		}
		if math.Abs(got-xy/xx) > 1e-9 {
			t.Errorf("part %v, by hand %v", got, xy/xx)
		}
		if off <= 0 || math.Abs(got-want) > 5*off {
			t.Errorf("part %.3f +- %.3f of %.3f", got, off, want)
		}
	}
}

// TestHotPixelsOfMovingPictures: of stuck pixels in a picture that moves nearly all are counted and nothing else, and
// in one that rests nothing is said.
func TestHotPixelsOfMovingPictures(t *testing.T) {
	draw := seeded(t)
	for range 20 {
		const rows, columns = 32, 40
		stuck := map[int]bool{}
		for range 4 + draw.IntN(20) {
			stuck[(3+draw.IntN(rows-6))*columns+3+draw.IntN(columns-6)] = true
		}
		phase := draw.Float64() * 6
		for _, moving := range []bool{true, false} {
			var s Sampler
			var last Sample
			for k := range 8 {
				shift := 0.0
				if moving {
					shift = 3 * float64(k)
				}
				codes := drawn(rows, columns, func(r, c int) float64 {
					if stuck[r*columns+c] {
						return 3900 + 0.5*draw.NormFloat64()
					}
					return 1800 + 400*math.Sin((float64(c)+shift)/4+phase) + 200*math.Sin(float64(r)/5-shift) +
						15*draw.NormFloat64()
				})
				last = s.Measure("t", uint64(k), frameOf(rows, columns, codes), ordinary, Patterns{})
			}
			if !moving && last.Hot >= 0 {
				t.Errorf("in a picture that rests %d pixels are stuck", last.Hot)
			}
			if moving && (last.Hot > len(stuck) || float64(last.Hot) < 0.9*float64(len(stuck))) {
				t.Errorf("%d pixels are stuck, counted %d", len(stuck), last.Hot)
			}
		}
	}
}

// TestSpreadOfLevels: figures of levels beside those by definition.
func TestSpreadOfLevels(t *testing.T) {
	draw := seeded(t)
	for range 50 {
		rows, columns := 2+draw.IntN(10), 1+draw.IntN(12)
		codes := drawn(rows, columns, func(_, _ int) float64 { return 2000 + 3000*draw.NormFloat64() })
		var s Sampler
		got := s.Measure("t", 0, frameOf(rows, columns, codes), ordinary, Patterns{})
		var low, high, sum, squares float64
		for _, c := range codes {
			low += map[bool]float64{true: 1}[c == 0]
			high += map[bool]float64{true: 1}[c == testHighest]
		}
		rest := codes[columns:]
		for _, c := range rest {
			sum += float64(c)
		}
		for _, c := range rest {
			squares += math.Pow(float64(c)-sum/float64(len(rest)), 2)
		}
		n := float64(len(codes))
		spread := math.Sqrt(squares / math.Max(float64(len(rest)-1), 1))
		if got.Low != low/n || got.High != high/n || math.Abs(got.Mean-sum/float64(len(rest))) > 1e-9 ||
			math.Abs(got.Spread-spread) > 1e-9 {
			t.Errorf("%+v; low %v, high %v, mean %v, spread %v", got, low/n, high/n, sum/float64(len(rest)), spread)
		}
	}
}

// BenchmarkMeasure is what a look at a frame of 40 x 40 pixels costs, of which there is about one a second and chip.
func BenchmarkMeasure(b *testing.B) {
	draw := rand.New(rand.NewPCG(1, 2))
	const rows, columns = 40, 40
	var frames []*facetdv1.Frame
	for k := range 8 {
		frames = append(frames, frameOf(rows, columns, drawn(rows, columns, func(r, c int) float64 {
			return 1800 + 400*math.Sin(float64(c+3*k)/4) + 200*math.Sin(float64(r)/5) + 15*draw.NormFloat64()
		})))
	}
	var s Sampler
	for i := 0; b.Loop(); i++ {
		// One frame of five comes right after another.
		s.Measure("t", uint64(2*i-i/5), frames[i%len(frames)], ordinary, Patterns{})
	}
}
