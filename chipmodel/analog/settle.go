package analog

import (
	"math"
	"time"
)

// LargestBlock returns the largest number of neighbouring cells that an 8-bit
// switch pattern joins on a line of cells: bit i closes the switch between cells
// 8k+i and 8k+i+1.
func LargestBlock(pattern uint8, cells int) int {
	longest, run := min(cells, 1), 1
	for i := range cells - 1 {
		if pattern>>(i%8)&1 == 0 {
			run = 1
			continue
		}
		run++
		longest = max(longest, run)
	}
	return longest
}

// ShareSettle returns how long a block of rows x columns cells takes to settle to
// half a step of a bits-bit converter after its switches close, whatever the
// cells held between the ends of its range. The longest side rules: a chain of n
// cells settles with tau = RC / (2 (1 - cos(pi/n))), the slowest mode of the path
// graph, from a largest amplitude A of that mode, 1/2 for two cells and rising to
// 2/pi. In a block that is (nearly) square the slowest modes of both sides add up;
// their largest amplitude rises to 8/pi^2.
func ShareSettle(rows, columns int, switchOhms, cellFarads float64, bits int) time.Duration {
	long, short := max(rows, columns), min(rows, columns)
	if long < 2 {
		return 0
	}
	tau := ChainTau(long)
	taus := tau * math.Log(ChainWorst(long)*math.Exp2(float64(bits+1)))
	if short > 1 {
		// What the short side's mode has decayed to beside the long side's by then;
		// later it is less.
		part := math.Exp(-taus * (1/ChainTau(short) - 1/tau))
		taus = tau * math.Log(blockWorst(long, short, part)*math.Exp2(float64(bits+1)))
	}
	return time.Duration(math.Ceil(taus * switchOhms * cellFarads * 1e9))
}

// blockWorst is the largest part at a corner that the slowest mode of the long side and
// a part of that of the short side can have together, for cells between 0 and 1: the
// sum of the positive values of their sum. For long sides it is that of 64 cells, 0.1 %
// below the limit.
func blockWorst(long, short int, part float64) float64 {
	if part < 1e-6 {
		return ChainWorst(long)
	}
	long, short = min(long, 64), min(short, 64)
	mode := func(n, j int) float64 {
		return math.Cos(math.Pi/2/float64(n)) * math.Cos(math.Pi*(float64(j)+0.5)/float64(n))
	}
	var sum float64
	for j := range short {
		own := part * mode(short, j)
		for i := range long {
			sum += max(mode(long, i)+own, 0)
		}
	}
	return 2 / float64(long*short) * sum
}

// ChainWorst is the largest part that the slowest mode of a chain of n cells can have
// at its end, for cells between 0 and 1: the mode's value there times the sum of its
// positive values, 1/2 for two cells and rising to 2/pi. A time t after the switches
// closed, ChainWorst(n) exp(-t/tau) is the largest error, once faster modes are gone.
func ChainWorst(n int) float64 {
	mode := func(j int) float64 { return math.Cos(math.Pi * (float64(j) + 0.5) / float64(n)) }
	var sum float64
	for j := range n / 2 {
		sum += mode(j)
	}
	return 2 / float64(n) * mode(0) * sum
}

// SettlingTaus is how many time constants a single pole takes until 2^-bits of a
// step is left: bits ln 2 (Analog Devices AN-1024, Table 1). Half a step of an N-bit
// converter takes bits = N+1.
func SettlingTaus(bits int) float64 { return float64(bits) * math.Ln2 }

// ChainTau is the slowest time constant of a chain of n cells in units of RC:
// 1/(2(1 - cos(pi/n))), the smallest eigenvalue of the path graph. In a rectangular
// block the longest side rules.
func ChainTau(n int) float64 { return 1 / (2 * (1 - math.Cos(math.Pi/float64(n)))) }

// lowestBandwidth is where an output amplifier starved of bias is taken to end: it
// leaks on, very slowly.
const lowestBandwidth = 0.01

// BiasBandwidth is the bandwidth of an output relative to nominal when its bias
// register is some steps above (or below) nominal.
func BiasBandwidth(perStep float64, steps int) float64 {
	return max(1+perStep*float64(steps), lowestBandwidth)
}
