package autoexposure

// Measure is what the frames of one job show. Codes are shares of their range: 0 is code 0, and 1 the highest.
type Measure struct {
	Level float64 // what is to be held: the mean, or a percentile
	// Low and High are codes below and above which one pixel in a hundred lies.
	Low, High float64
}

// outside is the part of the pixels that is left out at each end of the range.
const outside = 0.01

// bins is how many codes a meter tells apart.
const bins = 4096

// Meter counts the codes of frames. The zero value is ready; it keeps its memory from job to job.
type Meter struct {
	counts [bins]int
	pixels int
	sum    float64 // of the shares
}

// Reset forgets all frames.
func (m *Meter) Reset() { *m = Meter{} }

// counted is how many pixels of a frame are counted at most, as the bus waits meanwhile: more would tell little more.
const counted = 1 << 16

// Add counts the codes of a frame, of so many bits: of a large one every so many.
func (m *Meter) Add(codes []uint16, bits int) {
	most := uint32(1)<<bits - 1
	var sum uint64
	every := (len(codes) + counted - 1) / counted
	every |= 1 // odd: not of every other column alone
	for i := 0; i < len(codes); i += every {
		sum += uint64(codes[i])
		m.counts[min(uint32(codes[i]), most)*(bins-1)/most]++
		m.pixels++
	}
	m.sum += float64(sum) / float64(most)
}

// Measure is what the frames show; percentile 0 has the mean as the level. False without a pixel.
func (m *Meter) Measure(percentile float64) (Measure, bool) {
	if m.pixels == 0 {
		return Measure{}, false
	}
	out := Measure{Level: m.sum / float64(m.pixels), Low: m.percentile(outside), High: m.percentile(1 - outside)}
	if percentile > 0 {
		out.Level = m.percentile(percentile / 100)
	}
	return out, true
}

// percentile is the least code that so great a part of the pixels does not exceed.
func (m *Meter) percentile(part float64) float64 {
	wanted, n := part*float64(m.pixels), 0
	for i, count := range m.counts {
		if n += count; float64(n) >= wanted && n > 0 {
			return float64(i) / (bins - 1)
		}
	}
	return 1
}
