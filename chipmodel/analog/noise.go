package analog

import (
	"math"
	"math/rand/v2"
)

// Noise draws everything random of one die or lane from a seed. It holds the PCG of math/rand/v2 itself, not behind an
// interface, because a simulated array draws some ten million normals per second.
type Noise struct{ pcg rand.PCG }

// NewNoise returns the noise of a seed and a stream; equal pairs draw equal values.
func NewNoise(seed, stream uint64) *Noise {
	return &Noise{*rand.NewPCG(seed, stream)}
}

// Uniform draws from [0, 1).
func (n *Noise) Uniform() float64 { return float64(n.pcg.Uint64()>>11) * 0x1p-53 }

// Normal draws from the standard normal distribution by the ziggurat of Marsaglia
// and Tsang (J. Stat. Softw. 5(8), 2000) with the 53 bits and the independent
// layer of Doornik (An improved ziggurat method, 2005); both from memory.
func (n *Noise) Normal() float64 {
	u := n.pcg.Uint64()
	l := &layers[u&(layerCount-1)]
	z := float64(int64(u)>>11) * 0x1p-52
	if math.Abs(z) < l.inside {
		return z * l.edge
	}
	return n.outside(u, z)
}

const (
	layerCount = 256
	// The right edge of the lowest layer and the area of each, for 256 layers.
	layerTail = 3.6541528853610088
	layerArea = 0.00492867323399
)

// layer is one slice of the bell curve: how far it reaches, and which part of that
// lies under the curve whatever the height.
type layer struct{ edge, inside float64 }

// layers never change.
var layers = newLayers()

func newLayers() (out [layerCount]layer) {
	bell := func(x float64) float64 { return math.Exp(-x * x / 2) }
	edge := layerArea / bell(layerTail) // of the lowest, as if its tail were a box
	next := layerTail
	for i := range out {
		out[i] = layer{edge, next / edge}
		edge = next
		if i == layerCount-2 {
			next = 0
			continue
		}
		next = math.Sqrt(-2 * math.Log(bell(edge)+layerArea/edge))
	}
	return out
}

// outside decides about what is not surely under the curve.
func (n *Noise) outside(u uint64, z float64) float64 {
	for {
		i := u & (layerCount - 1)
		l := &layers[i]
		x := z * l.edge
		if math.Abs(z) < l.inside {
			return x
		}
		if i == 0 {
			return math.Copysign(n.tail(), z)
		}
		next := l.inside * l.edge
		low, high := math.Exp((x*x-l.edge*l.edge)/2), math.Exp((x*x-next*next)/2)
		if low+n.Uniform()*(high-low) < 1 {
			return x
		}
		u = n.pcg.Uint64()
		z = float64(int64(u)>>11) * 0x1p-52
	}
}

// tail draws from beyond the lowest layer (Marsaglia 1964, from memory).
func (n *Noise) tail() float64 {
	for {
		x := -math.Log(1-n.Uniform()) / layerTail
		y := -math.Log(1 - n.Uniform())
		if 2*y > x*x {
			return layerTail + x
		}
	}
}

// Poisson draws a count of a mean: by multiplication (Knuth) below 50, the rounded
// normal limit above.
func (n *Noise) Poisson(mean float64) float64 {
	if mean >= 50 {
		return max(math.Round(mean+math.Sqrt(mean)*n.Normal()), 0)
	}
	limit, product, count := math.Exp(-mean), n.Uniform(), 0.0
	for product > limit {
		product *= n.Uniform()
		count++
	}
	return count
}
