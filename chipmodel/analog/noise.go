package analog

import (
	"math"
	"math/bits"
)

// Noise draws everything random of one die or lane from a seed, by a PCG.
type Noise struct{ pcg pcg }

// NewNoise returns the noise of a seed and a stream; equal pairs draw equal values.
func NewNoise(seed, stream uint64) *Noise { return &Noise{pcg{seed, stream}} }

// pcg is the state of a PCG-DXSM: a congruential generator of 128 bits whose upper half is hashed (O'Neill, "PCG: A
// Family of Simple Fast Space-Efficient Statistically Good Algorithms", HMC-CS-2014-0905; from memory). It draws what
// the PCG of math/rand/v2 draws from the same state. It is written out here, and hands its next state back, because a
// simulated array draws some million normals a second: so a row of draws keeps it in registers.
type pcg struct{ high, low uint64 }

// draw returns 64 random bits and the state after them.
func (p pcg) draw() (uint64, pcg) {
	const (
		timesHigh, timesLow = 0x2360ed051fc65da4, 0x4385df649fccf645
		plusHigh, plusLow   = 0x5851f42d4c957f2d, 0x14057b7ef767814f
		hash                = 0xda942042e4dd58b5
	)
	high, low := bits.Mul64(p.low, timesLow)
	high += p.high*timesLow + p.low*timesHigh
	low, carry := bits.Add64(low, plusLow, 0)
	high, _ = bits.Add64(high, plusHigh, carry)
	u := high
	u ^= u >> 32
	u *= hash
	u ^= u >> 48
	u *= low | 1
	return u, pcg{high, low}
}

func (n *Noise) bits() (u uint64) {
	u, n.pcg = n.pcg.draw()
	return u
}

// Uniform draws from [0, 1).
func (n *Noise) Uniform() float64 { return float64(n.bits()>>11) * 0x1p-53 }

// Normal draws from the standard normal distribution by the ziggurat of Marsaglia
// and Tsang (J. Stat. Softw. 5(8), 2000) with the 53 bits and the independent
// layer of Doornik (An improved ziggurat method, 2005); both from memory.
func (n *Noise) Normal() float64 {
	u := n.bits()
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
		u = n.bits()
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
