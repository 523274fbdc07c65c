package measure

import (
	"cmp"
	"math"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/daemon/fit"
)

// sweepDelays is how many delays one sweep tries, sweepPairs how many pairs of pixels
// each is tried on.
const (
	sweepDelays = 12
	sweepPairs  = 8
	sweepRows   = 4
	// pairsAtOnce and rowsAtOnce are how many of them one program has: about 8 kB of a device's store.
	pairsAtOnce = 3
	rowsAtOnce  = 2
)

// Sweep is a sweep of the delay between a step on a lane and its sample.
type Sweep struct {
	Chip   int
	Delays []time.Duration
	pairs  [][2]Pixel // addressed chips: from one pixel to another
	rows   []int      // counter chips: rows read in full
}

// NewSweep plans a sweep of delays up to longest. reference is a whole frame of the
// chip under the light at hand, which must have contrast.
func NewSweep(a *chipmodel.Array, chip int, reference []uint16, longest time.Duration) *Sweep {
	s := &Sweep{Chip: chip}
	for k := 1; k <= sweepDelays; k++ {
		s.Delays = append(s.Delays, a.Up(max(longest*time.Duration(k)/sweepDelays, 1))) // a bus gives no others
	}
	class := a.Chips[chip].Class
	if class.Counts() {
		s.rows = steepRows(class, reference)
		return s
	}
	order := make([]int, len(reference))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(x, y int) int { return cmp.Compare(reference[x], reference[y]) })
	at := func(i int) Pixel { return Pixel{i / class.Columns, i % class.Columns} }
	for k := range min(sweepPairs, len(order)/2) {
		pair := [2]Pixel{at(order[k]), at(order[len(order)-1-k])}
		if k%2 == 1 {
			pair[0], pair[1] = pair[1], pair[0]
		}
		s.pairs = append(s.pairs, pair)
	}
	return s
}

// steepRows are the rows whose neighbours differ most.
func steepRows(class *chipmodel.Class, reference []uint16) []int {
	steep := make([]float64, class.Rows)
	rows := make([]int, class.Rows)
	for r := range rows {
		rows[r] = r
		for c := 1; c < class.Columns; c++ {
			d := float64(reference[r*class.Columns+c]) - float64(reference[r*class.Columns+c-1])
			steep[r] += d * d
		}
		steep[r] /= 1 + 0.05*float64(r) // later rows cost more time
	}
	slices.SortStableFunc(rows, func(x, y int) int { return cmp.Compare(steep[y], steep[x]) })
	return rows[:min(sweepRows, len(rows))]
}

// Sweep are the programs of a sweep, whose captures belong together: one for all would be too long for the store of a
// small device. Of addressed chips one pixel is read settled and then the other after each delay; of counter chips,
// whose lane passes every pixel in between, whole rows are read with each delay between neighbours.
func (p *Programs) Sweep(s *Sweep) [][]bus.Op {
	longest := s.Delays[len(s.Delays)-1]
	long := 4 * max(p.Settle(s.Chip), longest)
	delays := append([]time.Duration{long}, s.Delays...)
	var parts [][]bus.Op
	part := func(first int, body func(g *program, reached []int)) {
		parts = append(parts, p.alone(s.Chip, func(g *program, reached []int) {
			g.frames = first
			g.ready(s.Chip, reached)
			body(g, reached)
		}))
	}
	for i := 0; i < len(s.pairs); i += pairsAtOnce {
		part(2*i*len(delays), func(g *program, _ []int) {
			for _, pair := range s.pairs[i:min(i+pairsAtOnce, len(s.pairs))] {
				for _, d := range delays {
					g.sample(s.Chip, pair[0].Point(), long)
					g.sample(s.Chip, pair[1].Point(), d)
				}
			}
		})
	}
	class := p.a.Chips[s.Chip].Class
	for i := 0; i < len(s.rows); i += rowsAtOnce {
		part(i*len(delays), func(g *program, reached []int) {
			for _, r := range s.rows[i:min(i+rowsAtOnce, len(s.rows))] {
				w := chipmodel.Window{Row: r, Rows: 1, Columns: class.Columns, RowStep: 1, ColumnStep: 1}
				for _, d := range delays {
					g.rewind(s.Chip, reached)
					g.sample(s.Chip, w, d)
				}
			}
		})
	}
	return parts
}

// Missing is the part of a step that is missing after a delay.
type Missing struct {
	Delay time.Duration
	Part  float64
	// Sigma is the uncertainty of Part.
	Sigma float64
	// Codes is the mean size of what is missing, in codes, for a step of full scale.
	xx, xy, yy float64
	n          int
}

// add takes one step from x above the final level, of which y was missing.
func (m *Missing) add(x, y float64) {
	m.xx += x * x
	m.xy += x * y
	m.yy += y * y
	m.n++
}

// Accumulate adds the captures of one run of a sweep to what is missing at its delays; nil starts
// over. Captures that are missing are left out.
func (s *Sweep) Accumulate(a *chipmodel.Array, into []Missing, captures []bus.Capture) []Missing {
	n := len(s.Delays) + 1
	if into == nil {
		into = make([]Missing, len(s.Delays))
	}
	byFrame := map[int]*bus.Capture{}
	for i := range captures {
		byFrame[captures[i].Frame] = &captures[i]
	}
	step := a.StepTime(a.Chips[s.Chip].Class)
	for i := range s.pairs {
		final := byFrame[2*i*n+1]
		for k := range s.Delays {
			from, to := byFrame[2*(i*n+k+1)], byFrame[2*(i*n+k+1)+1]
			if final == nil || from == nil || to == nil {
				continue
			}
			end := float64(final.Codes[0])
			into[k].Delay = s.Delays[k]
			into[k].add(float64(from.Codes[0])-end, float64(to.Codes[0])-end)
		}
	}
	for i := range s.rows {
		final := byFrame[i*n]
		for k := range s.Delays {
			got := byFrame[i*n+k+1]
			if final == nil || got == nil {
				continue
			}
			// The converter may not be ready sooner than this after a step.
			into[k].Delay = got.PixelInterval - step - busy(a, s.Chip)
			for c := 1; c < len(got.Codes); c++ {
				end := float64(final.Codes[c])
				into[k].add(float64(got.Codes[c-1])-end, float64(got.Codes[c])-end)
			}
		}
	}
	for k := range into {
		into[k].settle()
	}
	return into
}

// busy is how long a converter without sample and hold keeps its lane.
func busy(a *chipmodel.Array, chip int) time.Duration {
	if lane := &a.Lanes[a.Chips[chip].Lane]; !lane.SampleAndHold {
		return a.ConversionTime(a.Chips[chip].Lane)
	}
	return 0
}

// settle makes part and uncertainty of the sums: the slope of a line through zero.
func (m *Missing) settle() {
	if m.xx == 0 || m.n < 3 {
		m.Part, m.Sigma = 0, math.Inf(1)
		return
	}
	m.Part = m.xy / m.xx
	rest := max(m.yy-m.Part*m.xy, 0) / float64(m.n-1)
	// A converter's own steps are an error of a twelfth, however quiet the rest is.
	m.Sigma = math.Sqrt((rest + 1.0/12) / m.xx)
}

// Contrast is the root mean square of the steps of a sweep, in codes.
func Contrast(m []Missing) float64 {
	xx, n := 0.0, 0
	for i := range m {
		xx, n = xx+m[i].xx, n+m[i].n
	}
	if n == 0 {
		return 0
	}
	return math.Sqrt(xx / float64(n))
}

// Settling is what a sweep says of a lane.
type Settling struct {
	// Tau is the time constant; Relative its relative uncertainty.
	Tau      time.Duration
	Relative float64
	// Settle is when a step of full scale is within half a step of the converter.
	Settle time.Duration
	// Points is how many delays count.
	Points int
}

// FitSettling fits a single pole to what is missing: ln part = c - delay/tau, weighted
// by how well each part is known. A full-scale step is within half a step of an N-bit
// converter after (N+1) ln 2 time constants (single-pole settling as in Analog Devices
// AN-1024, seen), and c time constants later when the lane does not move at once. ok is false
// when fewer than three delays show anything.
func FitSettling(m []Missing, bits int) (s Settling, ok bool) {
	var delays, logs, weights []float64
	for _, one := range m {
		if !(one.Part > 6*one.Sigma) || one.Part > 0.95 {
			continue
		}
		// Beside its uncertainty a part is off by what a converter's codes are uneven by.
		weights = append(weights, 1/(one.Sigma*one.Sigma/(one.Part*one.Part)+1e-5))
		delays, logs = append(delays, float64(one.Delay)), append(logs, math.Log(one.Part))
		s.Points++
	}
	line := fit.NewLine(delays, logs, weights)
	if s.Points < 3 || !(line.Slope < 0) {
		return s, false
	}
	tau := -1 / line.Slope
	s.Tau = time.Duration(math.Round(tau))
	s.Relative = tau / math.Sqrt(line.Spread)
	s.Settle = time.Duration(math.Ceil(tau * (analog.SettlingTaus(bits+1) + line.Intercept)))
	return s, true
}
