package calibration

import (
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/daemon/calibration/correction"
)

// BenchmarkCorrectSet corrects a set of twelve frames of 40 x 40 pixels, as the demo's wall
// has, by each method; the baseline copies the set.
func BenchmarkCorrectSet(b *testing.B) {
	msg := bustest.Message()
	for _, c := range msg.GetClasses() {
		if c.GetName() == "mem" {
			c.Lattice = &facetdv1.Lattice{Rows: 40, Columns: 40, PitchXUm: 20}
		}
	}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		b.Fatal(m)
	}
	sub := plainSubject(b, a, testChip)
	set := &facetdv1.FrameSet{Task: "t"}
	for range 12 {
		f := &facetdv1.Frame{Chip: sub.key.chip, View: sub.view, Data: make([]byte, 2*sub.shape.Pixels()),
			RowOffsetNs: make([]int64, 40)}
		for i := range f.Data {
			f.Data[i] = byte(1 + i%2) // code 513: within ten bits
		}
		set.Frames = append(set.Frames, f)
	}
	keys := viewKeys{sub.view: {a, a.Chips[sub.chip].Class, sub.settings, sub.key.settings}}
	size := int64(12 * 2 * sub.shape.Pixels())
	b.Run("baseline/copy", func(b *testing.B) {
		b.SetBytes(size)
		for b.Loop() {
			proto.CloneOf(set)
		}
	})
	for _, method := range []correction.Method{correction.Offset, correction.OffsetGain, correction.LogResponse} {
		s := open(b, "", a, nil, nil)
		var levels []correction.Level
		for i := range method.MinLevels() {
			acc, err := correction.NewAccumulator(sub.shape, sub.scale)
			if err != nil {
				b.Fatal(err)
			}
			for k := range 4 {
				codes := make([]uint16, sub.shape.Pixels())
				for p := range codes {
					codes[p] = uint16(300 + 150*i + (p*7+k*p*3)%11)
				}
				if err := acc.Add(codes); err != nil {
					b.Fatal(err)
				}
			}
			levels = append(levels, correction.Level{Lux: []float64{1, 10, 100}[i], Frames: acc})
		}
		cmap, err := correction.Fit(method, levels, correction.Options{})
		if err != nil {
			b.Fatal(err)
		}
		meta := s.metaOf(sub, "")
		describe(meta, cmap)
		if _, err := s.keep(meta, cmap); err != nil {
			b.Fatal(err)
		}
		if got := s.correctSet(set, keys).GetFrames()[0]; got.GetCorrectionMapId() == "" {
			b.Fatal(got.GetCorrectionNote())
		}
		b.Run(method.String(), func(b *testing.B) {
			b.SetBytes(size)
			for b.Loop() {
				s.correctSet(set, keys)
			}
		})
	}
}
