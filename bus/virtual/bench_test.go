package virtual

import (
	"math"
	"testing"
	"time"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/scene"
	"facetd.example/deploy"
)

// demoArray is the array of the demo.
func demoArray(b testing.TB) *chipmodel.Array {
	b.Helper()
	a, m := arrayfile.ParseArray("array.yaml", deploy.CrawlerArray)
	if len(m) > 0 {
		b.Fatal(m)
	}
	return a
}

// demoScene is the demo picture under a turning crawler.
func demoScene(b testing.TB) scene.Scene {
	b.Helper()
	s, err := scene.Panorama(scene.DemoPanorama(),
		scene.PanoramaOptions{LuxHigh: 1000, Motion: scene.Motion{YawRateDegPerS: 20}})
	if err != nil {
		b.Fatal(err)
	}
	return s
}

// word is the smallest under which chips listen.
func word(a *chipmodel.Array, chips ...int) chipmodel.LineSet {
	var w chipmodel.LineSet
	for _, c := range chips {
		w |= a.Chips[c].Wires
	}
	return w
}

// read reads chips under one word, each into the frame of its place in the job.
func read(a *chipmodel.Array, command int, w chipmodel.Window, claim bus.Claim, frame int, chips ...int) []bus.Op {
	frames := make([]int, len(chips))
	for i := range frames {
		frames[i] = frame + i
	}
	ops := []bus.Op{Select(word(a, chips...)), Write(command, chipmodel.OutputEnable, 1, chips...)}
	if a.Chips[chips[0]].Class.Counts() {
		ops = append(ops, Strobe(command+1, chipmodel.Reset, 0, chips...))
	}
	scan := ScanAll(a, chips, frames, claim)
	scan.Scan.Window = w
	return append(ops, scan, Write(command+2, chipmodel.OutputEnable, 0, chips...))
}

func whole(a *chipmodel.Array, chip, step int) chipmodel.Window {
	c := a.Chips[chip].Class
	return chipmodel.Window{Rows: c.Rows / step, Columns: c.Columns / step, RowStep: step, ColumnStep: step}
}

// demoJobs are the demo's four tasks as programs by hand, and how often each runs in
// 200 ms.
func demoJobs(a *chipmodel.Array) (jobs [][]bus.Op, times []int) {
	wall := a.Group("wall")
	ops := []bus.Op{Select(word(a, wall...)), Strobe(1, chipmodel.Load, 0, wall...)}
	claim := bus.Claim{}
	command := 2
	for _, p := range []uint8{0x55, 0xaa, 0x55} { // two smoothing steps, then 2 x 2
		class := a.Chips[wall[0]].Class
		ops = append(ops, Write(command, chipmodel.ColumnPattern, uint16(p), wall...),
			Write(command+1, chipmodel.RowPattern, uint16(p), wall...),
			Strobe(command+2, chipmodel.Share, a.ShareTime(class, p, p)-a.Timing.Strobe, wall...))
		claim.Shares = append(claim.Shares, bus.Patterns{Columns: p, Rows: p})
		command += 3
	}
	for i := 0; i < len(wall); i += 2 {
		ops = append(ops, read(a, command, whole(a, wall[0], 2), claim, i, wall[i:i+2]...)...)
		command += 3
	}
	bed := a.Group("bed")
	bedOps := append(read(a, 1, whole(a, bed[0], 1), bus.Claim{}, 0, bed[:2]...),
		read(a, 4, whole(a, bed[0], 1), bus.Claim{}, 2, bed[2:]...)...)
	bow := a.Group("bow")
	bowOps := []bus.Op{Select(word(a, bow...)), Write(1, chipmodel.ColumnPattern, 0x55, bow...),
		Write(2, chipmodel.RowPattern, 0x55, bow...), {Kind: bus.OpWait, Hold: 50 * time.Microsecond, Phase: 5}}
	bowOps = append(bowOps, read(a, 3, whole(a, bow[0], 2), bus.Claim{}, 0, bow...)...)
	comb := a.Chip("bow-comb")
	return [][]bus.Op{ops, bedOps, bowOps, read(a, 1, whole(a, comb, 1), bus.Claim{}, 0, comb)}, []int{3, 4, 10, 2}
}

// demoCycle runs 200 ms of the demo and returns the pixels converted.
func demoCycle(tb testing.TB, b *Bus, jobs []*bus.Program, times []int, number []uint64) int {
	pixels := 0
	cycle := b.Now()
	end := cycle.Add(200 * time.Millisecond)
	for i, program := range jobs {
		for range times[i] {
			job := &bus.Job{Task: string(rune('a' + i)), Number: number[i], Deadline: math.MaxInt64, Segments: 1}
			number[i]++
			if err := b.Submit(b.Now(), &bus.Segment{Job: job, Program: program}); err != nil {
				tb.Fatal(err)
			}
			res, err := b.Next(tb.Context())
			if err != nil || res.Err != nil {
				tb.Fatal(err, res.Err)
			}
			for k := range res.Captures {
				pixels += len(res.Captures[k].Codes)
			}
			b.Inspector().JobEnded(job, bus.Outcome{Kind: bus.OnTime})
		}
	}
	if b.Now() > end {
		tb.Fatalf("a cycle of the demo takes %v", time.Duration(b.Now()-cycle))
	}
	if err := b.WaitUntil(tb.Context(), end); err != nil {
		tb.Fatal(err)
	}
	return pixels
}

// ready prepares programs on a bus.
func ready(tb testing.TB, b *Bus, jobs [][]bus.Op) []*bus.Program {
	programs := make([]*bus.Program, len(jobs))
	for i, ops := range jobs {
		programs[i] = &bus.Program{Ops: ops}
	}
	if err := b.Prepare(tb.Context(), programs); err != nil {
		tb.Fatal(err)
	}
	return programs
}

// BenchmarkDemo runs the demo in free pace, one cycle of 200 ms bus time an
// iteration. The baselines make the same number of pixels: "copy" from ready codes,
// "render" from the scene through the nominal pixel, and "nominal" on the bus with
// dies that do only that.
func BenchmarkDemo(b *testing.B) {
	a, light := demoArray(b), demoScene(b)
	jobs, times := demoJobs(a)
	report := func(b *testing.B, pixels int) {
		b.ReportMetric(float64(pixels)/b.Elapsed().Seconds(), "pixels/s")
		b.ReportMetric(0.2*float64(b.N)/b.Elapsed().Seconds(), "bus-s/s")
	}
	onBus := func(m makers) func(*testing.B) {
		return func(b *testing.B) {
			b.ReportAllocs()
			v, err := newBus(Config{Array: a, Scene: light, Pace: free, Seed: 1}, m)
			if err != nil {
				b.Fatal(err)
			}
			number, programs := make([]uint64, len(jobs)), ready(b, v, jobs)
			pixels := 0
			for b.Loop() {
				pixels += demoCycle(b, v, programs, times, number)
			}
			report(b, pixels)
		}
	}
	b.Run("simulated", onBus(simulated))
	b.Run("nominal", onBus(nominal))
	b.Run("render", func(b *testing.B) { report(b, renderDemo(b, a, light, jobs, times)) })
	b.Run("copy", func(b *testing.B) { report(b, copyDemo(b, jobs, times)) })
}

// renderDemo makes the demo's pixels without a bus: no memory, noise or inspector.
func renderDemo(b *testing.B, a *chipmodel.Array, light scene.Scene, jobs [][]bus.Op, times []int) int {
	pixels, at := 0, int64(0)
	views := make([]*scene.View, len(a.Chips))
	for i := range a.Chips {
		views[i] = scene.NewView(a.Chips[i].Camera())
	}
	var lux [64]float64
	for b.Loop() {
		eachScan(jobs, times, func(s *bus.Scan) {
			for _, c := range s.Chips {
				p := a.Chips[c].Class.Spec.GetLogarithmic()
				codes := make([]uint16, 0, s.Window.Pixels())
				for r := range s.Window.Rows {
					light.Row(lux[:a.Chips[c].Class.Columns], views[c], s.Window.Row+r*s.Window.RowStep, bus.Time(at))
					for k := range s.Window.Columns {
						signal := p.GetDarkLux() + lux[s.Window.Column+k*s.Window.ColumnStep]
						volts := p.GetOffsetVolts() + p.GetVoltsPerDecade()*math.Log10(signal)
						codes = append(codes, uint16(volts*2000))
					}
				}
				pixels += len(codes)
			}
		})
		at += 2e8
	}
	return pixels
}

// copyDemo copies as many codes as the demo converts.
func copyDemo(b *testing.B, jobs [][]bus.Op, times []int) int {
	codes := make([]uint16, 1<<13)
	pixels := 0
	for b.Loop() {
		eachScan(jobs, times, func(s *bus.Scan) {
			for range s.Chips {
				pixels += copy(make([]uint16, s.Window.Pixels()), codes)
			}
		})
	}
	return pixels
}

func eachScan(jobs [][]bus.Op, times []int, do func(*bus.Scan)) {
	for i, ops := range jobs {
		for range times[i] {
			for k := range ops {
				if ops[k].Scan != nil {
					do(ops[k].Scan)
				}
			}
		}
	}
}

// BenchmarkInspector judges the demo's operations alone.
func BenchmarkInspector(b *testing.B) {
	a := demoArray(b)
	jobs, times := demoJobs(a)
	v, err := newBus(Config{Array: a, Scene: scene.Uniform(1), Pace: free}, empty)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	number, programs := make([]uint64, len(jobs)), ready(b, v, jobs)
	for b.Loop() {
		demoCycle(b, v, programs, times, number)
	}
	ops := 0
	for i := range jobs {
		ops += times[i] * len(jobs[i])
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*ops), "ns/op-judged")
}
