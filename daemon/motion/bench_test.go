package motion

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"syscall"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
)

// sixtyFour is an array of 64 chips of 16 x 16 pixels that look all around.
func sixtyFour(t testing.TB) *chipmodel.Array {
	t.Helper()
	var s strings.Builder
	s.WriteString(`name: sphere
select_lines: [x0, x1, x2, x3, x4, x5, x6, x7, y0, y1, y2, y3, y4, y5, y6, y7]
timing: {dead_time: 200ns, select_setup: 300ns, write: 1us, strobe: 500ns, release_limit: 20us}
lanes:
  - name: a
    line_capacitance_pf: 10
    chip_capacitance_pf: 1.6
    converter: {bits: 12, low_volts: 0.6, high_volts: 2.2, conversion: 1500ns, sample_and_hold: true}
classes:
  - name: eye
    temperature_k: 303
    lattice: {rows: 16, columns: 16, pitch_x_um: 24}
    logarithmic: {offset_volts: 1.15, volts_per_decade: 0.22, dark_lux: 0.02}
    readout: {step: 400ns, row_step: 600ns, output_resistance_ohms: 18000}
    counter: {reset: 2us}
chips:
`)
	for i := range 64 { // evenly over the sphere
		pitch := 180 / math.Pi * math.Asin((2*float64(i)+1)/64-1)
		yaw := math.Remainder(float64(i)*180*(3-math.Sqrt(5)), 360)
		fmt.Fprintf(&s, "  - {name: eye-%02d, class: eye, selects: [x%d, y%d], lane: a, mount: {yaw_deg: %.3f, "+
			"pitch_deg: %.3f}, lens: {horizontal_fov_deg: 34, vertical_fov_deg: 34}}\n", i, i%8, i/8, yaw, pitch)
	}
	a, m := arrayfile.ParseArray("sphere", []byte(s.String()))
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

const thirtieth = bustime.Time(33_333_333)

// setsOf are frame sets of all chips of an array that looks at a scene thirty times a second, as if all pixels took
// their light at once.
func setsOf(t testing.TB, a *chipmodel.Array, spec string, n int) (sets []*facetdv1.FrameSet) {
	t.Helper()
	s, err := scene.Parse(spec, nil)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	for job := range n {
		fs := &facetdv1.FrameSet{Task: "all", TaskGeneration: 1, Job: uint64(job)}
		for i := range a.Chips {
			l := a.Chips[i].Camera().Lattice()
			f := &facetdv1.Frame{Chip: a.Chips[i].Name, View: "all", Rows: uint32(l.Rows), Columns: uint32(l.Columns),
				SignificantBits: 12, CodeZeroVolts: 0.6, VoltsPerCode: 1.6 / 4096,
				Window: &facetdv1.Window{Rows: uint32(l.Rows), Columns: uint32(l.Columns), RowStep: 1,
					ColumnStep: 1},
				Corrections: []facetdv1.Correction{facetdv1.Correction_CORRECTION_LOG_RESPONSE}}
			view, lux := scene.NewView(a.Chips[i].Camera()), make([]float64, l.Columns)
			for row := range l.Rows {
				s.Row(lux, view, row, bustime.Time(job)*thirtieth)
				for _, v := range lux {
					code := (1.15-0.6+0.22*math.Log10(v+0.02))*4096/1.6 + 0.5*rng.NormFloat64()
					f.Data = binary.LittleEndian.AppendUint16(f.Data, uint16(math.Round(code)))
				}
			}
			fs.Frames = append(fs.Frames, f)
		}
		sets = append(sets, fs)
	}
	return sets
}

// BenchmarkSixtyFourChips is the whole way from frame sets to estimates, in time of the processor: at thirty sets a
// second of 64 chips of 16 x 16 pixels, which part of a core it takes. Of each set the least of many tries counts: what
// else runs on the machine only makes them longer.
func BenchmarkSixtyFourChips(b *testing.B) {
	a := sixtyFour(b)
	for name, spec := range map[string]string{
		"moves": "demo:low=1,high=800,yaw_swing=10,yaw_swing_hz=0.2,forward_rate=0.1",
		"turns": "demo:low=1,high=800,yaw_rate=40",
		"still": "demo:low=1,high=800",
	} {
		sets := setsOf(b, a, spec, 12)
		b.Run(name, func(b *testing.B) {
			tr := NewTracker(a, func(string, uint64) []*facetdv1.View { return []*facetdv1.View{{Name: "all"}} },
				&Counts{})
			told, n := 0, 0
			next := func() { // there and back
				at := n % (2*len(sets) - 2)
				fs := sets[min(at, 2*len(sets)-2-at)]
				for _, f := range fs.GetFrames() {
					f.LightBusNs = int64(n) * int64(thirtieth)
				}
				fs.Job = uint64(n)
				if tr.Take(fs).GetBody().GetTold() {
					told++
				}
				n++
			}
			next()
			least := make([]time.Duration, 2*len(sets)-2)
			for b.Loop() {
				for range least {
					at, before := n%len(least), processorTime(b)
					next()
					if took := processorTime(b) - before; least[at] == 0 || took < least[at] {
						least[at] = took
					}
				}
			}
			if told < n-1 {
				b.Errorf("%d of %d sets tell", told, n)
			}
			var all time.Duration
			for _, d := range least {
				all += d
			}
			set := all.Seconds() / float64(len(least))
			b.ReportMetric(1e6*set, "cpu-us/set")
			b.ReportMetric(100*30*set, "%core")
		})
	}
}

// processorTime is what this process has taken of the processors so far.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
