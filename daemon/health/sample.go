package health

import (
	"encoding/binary"
	"math"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Pattern is the fixed pattern that a correction map says of a chip, in codes: what its pixels differ by where all see
// the same light. It is compared with frames of the same view.
type Pattern struct {
	Chip  string
	Codes []float32
	// Defective are the pixels that the correction map names, by ascending index.
	Defective []int
}

// Patterns are those that are known for a frame, at the light at which it has a mean code. Either may be nil.
type Patterns struct {
	// Own is that of the frame's chip; it may return nil.
	Own func(mean float64) *Pattern
	// Others are those of all other chips with such a view, which are asked for where the frame does not show its own.
	Others func(mean float64) []*Pattern
}

// Sample is what one frame shows. Figures are in codes unless they say otherwise.
type Sample struct {
	Task, View string
	// At is the bus time at which the frame was complete, Job the number of its job.
	At  int64
	Job uint64
	// Pixels is how many there are, Mean their mean code and Spread their standard deviation, the first row left out
	// where there are more: a lane that nothing drives any more still shows what it was driven to.
	Pixels       int
	Mean, Spread float64
	// Low and High are the fractions of pixels at the lowest and the highest code.
	Low, High float64
	// Noise is the temporal noise in the evenest quarter of the picture, below 0 where the frame is not right after the
	// one before, has too few pixels, or where the picture moved.
	Noise float64
	// pair says that the frame is right after the one before.
	pair bool
	// Hot are pixels that stood out from those around them at the same code in the last frames while the picture moved,
	// without those that the correction map names; below 0 where too few frames were seen, or nothing moved.
	Hot int
	// hurry says that a few more frames would tell about these.
	hurry bool
	// Part is the part of the chip's own pattern that the frame shows and PartError its standard deviation; PartError
	// is
	// 0 where it cannot be told. Other is the chip of whose pattern it shows more, and OtherPart how much; empty
	// where there is none.
	Part, PartError float64
	Other           string
	OtherPart       float64
}

// Sampler makes samples of the frames of one chip. It keeps what it needs of the frames before.
type Sampler struct {
	key          string // of the frames that can be compared
	job          uint64
	codes, spare []uint16
	noise        noiseMeter
	hot          hotPixels
}

// Measure makes a sample of a raw and complete frame of a job. expected says what the frame should be.
func (s *Sampler) Measure(task string, job uint64, f *facetdv1.Frame, expected *Expected, patterns Patterns) Sample {
	rows, columns := int(f.GetRows()), int(f.GetColumns())
	n := rows * columns
	out := Sample{Task: task, View: f.GetView(), At: f.GetLastConvertedBusNs(), Job: job, Pixels: n, Noise: -1, Hot: -1}
	if n == 0 || len(f.GetData()) != 2*n {
		out.Pixels = 0
		return out
	}
	codes := decode(s.spare, f.GetData())
	out.levels(codes, columns, expected.Highest)
	key := keyOf(task, f)
	if key != s.key {
		s.key, s.codes = key, nil
		s.hot.forget()
	}
	if out.pair = s.codes != nil && job == s.job+1; out.pair {
		out.Noise = s.noise.between(s.codes, codes, rows, columns)
	}
	limit := max(0.1*expected.Highest, 8*math.Hypot(expected.Pattern, expected.Noise))
	moved := s.codes != nil && moves(s.codes, codes, rows, columns, 2*expected.Noise+0.5)
	s.hot.see(codes, rows, columns, limit, 8*expected.LaneNoise+4, moved)
	var own *Pattern
	if patterns.Own != nil {
		own = patterns.Own(out.Mean)
	}
	out.Hot = s.hot.count(own)
	out.hurry = s.hot.frames < hotRun && float64(len(s.hot.pixels)) >= leastHot(n)
	if own != nil && len(own.Codes) == n {
		out.Part, out.PartError = partOf(codes, columns, own)
		out.compare(codes, columns, patterns.Others)
	}
	s.codes, s.spare, s.job = codes, s.codes, job
	return out
}

// keyOf tells apart frames whose pixels cannot be compared.
func keyOf(task string, f *facetdv1.Frame) string {
	w := f.GetWindow()
	b := []byte(task + "\x00" + f.GetView())
	for _, v := range [...]uint32{w.GetRow(), w.GetColumn(), w.GetRowStep(), w.GetColumnStep(), f.GetRows(),
		f.GetColumns()} {
		b = binary.AppendUvarint(b, uint64(v))
	}
	return string(binary.AppendVarint(b, f.GetExposureNs()))
}

func decode(into []uint16, data []byte) []uint16 {
	into = slices.Grow(into[:0], len(data)/2)[:len(data)/2]
	for i := range into {
		into[i] = binary.LittleEndian.Uint16(data[2*i:])
	}
	return into
}

// levels fills in mean, spread and what is clipped.
func (s *Sample) levels(codes []uint16, columns int, highest float64) {
	var low, high int
	for _, c := range codes {
		if c == 0 {
			low++
		}
		if float64(c) >= highest {
			high++
		}
	}
	s.Low, s.High = float64(low)/float64(len(codes)), float64(high)/float64(len(codes))
	if len(codes) > columns {
		codes = codes[columns:]
	}
	var sum, squares float64
	for _, c := range codes {
		sum += float64(c)
	}
	s.Mean = sum / float64(len(codes))
	for _, c := range codes {
		squares += (float64(c) - s.Mean) * (float64(c) - s.Mean)
	}
	s.Spread = math.Sqrt(squares / float64(max(len(codes)-1, 1)))
}

// moves reports whether the picture changed by more than noise may: means of blocks by more than that, and by at least
// half of what single pixels did, where noise changes them by a quarter of it.
func moves(before, now []uint16, rows, columns int, noise float64) bool {
	changed := blocks(before, now, rows, columns)
	if changed < noise || math.IsInf(changed, 1) {
		return false
	}
	var squares float64
	for i := range len(now) - 1 {
		d := float64(now[i]) - float64(before[i]) - float64(now[i+1]) + float64(before[i+1])
		squares += d * d
	}
	return changed > math.Sqrt(squares/float64(len(now)-1))/4
}

// pairs are how the pattern is compared: by differences of neighbours in a row, in which the picture weighs less.
func pairs(codes []uint16, columns int, p *Pattern, each func(frame, pattern float64)) {
	next := 0
	defective := func(i int) bool {
		for next < len(p.Defective) && p.Defective[next] < i {
			next++
		}
		return next < len(p.Defective) && p.Defective[next] == i
	}
	bad := defective(0)
	for i := range len(codes) - 1 {
		was := bad
		bad = defective(i + 1)
		if (i+1)%columns != 0 && !was && !bad {
			each(float64(codes[i+1])-float64(codes[i]), float64(p.Codes[i+1]-p.Codes[i]))
		}
	}
}

// partOf is how much of a pattern a frame shows, by least squares, and the standard deviation of that: half more than
// if the picture were noise, since neighbours in a picture are alike (our choice, no source). It is 0 where the pattern
// is too faint to tell.
func partOf(codes []uint16, columns int, p *Pattern) (part, deviation float64) {
	var xy, xx, yy, n float64
	pairs(codes, columns, p, func(frame, pattern float64) {
		xy += frame * pattern
		xx += pattern * pattern
		yy += frame * frame
		n++
	})
	if n < leastPixels || xx < 2*n { // a deviation of a code
		return 0, 0
	}
	part = xy / xx
	return part, 1.5 * math.Sqrt(max(yy-part*xy, 0)/n/xx)
}

const (
	// foreign is the part of its own pattern below which a chip has drifted, mixed that below which its frames are
	// compared with the patterns of others, and strange the part of one of those that counts (our choice, no source).
	foreign, mixed, strange = 0.7, 0.9, 0.2
)

// compare looks for the chip whose pattern is in the frame, where the chip's own is not.
func (s *Sample) compare(codes []uint16, columns int, others func(mean float64) []*Pattern) {
	if s.PartError == 0 || s.Part+5*s.PartError > mixed || others == nil {
		return
	}
	for _, p := range others(s.Mean) {
		if len(p.Codes) != len(codes) {
			continue
		}
		part, off := partOf(codes, columns, p)
		if off > 0 && part-5*off > strange && part > s.OtherPart {
			s.Other, s.OtherPart = p.Chip, part
		}
	}
}
