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

// ShareSettle returns how long a block of rows x columns cells takes to settle to half a step of a bits-bit converter
// after its switches close, whatever the cells held within the converter's range. The longest side rules: a chain of n
// cells settles with tau = RC / (2 (1 - cos(pi/n))), the slowest mode of the path graph, from a largest amplitude A of
// that mode, 1/2 for two cells and rising to 2/pi. The slowest mode of the other side adds to it, which is felt when
// the sides are alike: A is then up to 8/pi^2, a quarter of a time constant more.
func ShareSettle(rows, columns int, switchOhms, cellFarads float64, bits int) time.Duration {
	n, m := max(rows, columns), min(rows, columns)
	if n < 2 {
		return 0
	}
	t := ChainTau(n) * math.Log(ChainWorst(n)*math.Exp2(float64(bits+1))) // in units of RC
	if m >= 2 {
		t += ChainTau(n) * math.Log(ShareLeft(n, m, t)*math.Exp2(float64(bits+1)))
	}
	return time.Duration(math.Ceil(t * switchOhms * cellFarads * 1e9))
}

// ShareLeft is the largest part of a difference that a share of rows x columns cells
// leaves after a time in units of RC, once faster modes than the slowest of each side
// are gone.
func ShareLeft(rows, columns int, t float64) float64 {
	n, m := max(rows, columns), min(rows, columns)
	switch {
	case n < 2:
		return 0
	case m < 2:
		return ChainWorst(n) * math.Exp(-t/ChainTau(n))
	}
	return blockWorst(n, m, math.Exp(-t*(1/ChainTau(m)-1/ChainTau(n)))) * math.Exp(-t/ChainTau(n))
}

// blockWorst is ChainWorst of a block of n x m cells, when the slowest mode along m has
// fallen to a part left of that along n: 2/(nm) times the sum over all cells of the
// positive values of c0(n) c(x) + left c0(m) c(y), c being the modes.
func blockWorst(n, m int, left float64) float64 {
	mode := func(j, n int) float64 { return math.Cos(math.Pi * (float64(j) + 0.5) / float64(n)) }
	// The modes fall along x and y: with x the sum stays positive up to ever smaller y.
	along := func(y int) float64 { return left * mode(0, m) * mode(y, m) }
	var below, sum float64 // the sum of along over y < last
	last := m
	for y := range m {
		below += along(y)
	}
	for x := range n {
		v := mode(0, n) * mode(x, n)
		for last > 0 && v+along(last-1) <= 0 {
			last--
			below -= along(last)
		}
		sum += float64(last)*v + below
	}
	return 2 / float64(n*m) * sum
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
// step is left: bits ln 2 (Analog Devices AN-1024, Table 1; seen). Half a step of an N-bit
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
