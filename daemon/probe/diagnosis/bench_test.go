package diagnosis_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/probe/diagnosis"
)

func crawler(t testing.TB) *chipmodel.Array {
	t.Helper()
	const file = "../../../deploy/examples/crawler/array.yaml"
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	a, m := arrayfile.ParseArray(file, data)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return a
}

func seeded(t testing.TB) (*rand.Rand, uint64) {
	t.Helper()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 1)), seed
}

// bench is a virtual bus and everything to probe it with.
type bench struct {
	a        *chipmodel.Array
	bus      *virtual.Bus
	planner  *diagnosis.Planner
	programs *diagnosis.Programs
	job      uint64
}

func newBench(t testing.TB, a *chipmodel.Array, opts diagnosis.Options) *bench {
	t.Helper()
	p, err := diagnosis.New(a, opts)
	if err != nil {
		t.Fatal(err)
	}
	return benchOf(t, a, p, scene.Uniform(200))
}

// shared are planners of the demo, by options, for tests that do not run beside others: a planner remembers what it
// chose.
var shared = map[diagnosis.Options]*diagnosis.Planner{}

func sharedPlanner(t testing.TB, opts diagnosis.Options) *diagnosis.Planner {
	t.Helper()
	if shared[opts] == nil {
		p, err := diagnosis.New(crawler(t), opts)
		if err != nil {
			t.Fatal(err)
		}
		shared[opts] = p
	}
	return shared[opts]
}

// sharedBench is newBench under some light, with a planner that other tests have used.
func sharedBench(t testing.TB, a *chipmodel.Array, opts diagnosis.Options, light scene.Scene) *bench {
	t.Helper()
	return benchOf(t, a, sharedPlanner(t, opts), light)
}

func benchOf(t testing.TB, a *chipmodel.Array, p *diagnosis.Planner, light scene.Scene) *bench {
	t.Helper()
	b, err := virtual.New(virtual.Config{Array: a, Scene: light, Pace: facetdv1.Pace_PACE_FREE, Seed: 5})
	if err != nil {
		t.Fatal(err)
	}
	return &bench{a: a, bus: b, planner: p, programs: diagnosis.NewPrograms(p.Model, time.Microsecond)}
}

// run runs a program as an on-demand job; the inspector's judgement of it by the wiring is
// part of what is tested.
func (b *bench) run(t testing.TB, ops []bus.Op) bus.Result {
	t.Helper()
	b.job++
	now := b.bus.Now()
	job := &bus.Job{Number: b.job, Release: now, Deadline: now.Add(time.Hour), Chips: b.a.All(), Segments: 1}
	res, err := bustest.Run(t.Context(), b.bus, now, &bus.Segment{Job: job, Program: &bus.Program{Ops: ops}})
	if err != nil {
		t.Fatal(err)
	}
	b.bus.Inspector().JobEnded(job, bus.Outcome{Kind: bus.OnTime})
	return res
}

// ran is what became of one probe.
type ran struct {
	state       *diagnosis.State
	experiments []diagnosis.Experiment
	contentions []virtual.Contention
}

// probe puts faults into the array and probes it to the end. Every observation on
// the virtual bus must be the one that the symbolic array predicts, except while
// chips contend, and so must every contention.
func (b *bench) probe(t testing.TB, faults []diagnosis.Fault) ran {
	t.Helper()
	messages := make([]*facetdv1.Fault, len(faults))
	for i, f := range faults {
		messages[i] = f.Message(b.a)
	}
	if err := b.bus.SetFaults(messages); err != nil {
		t.Fatal(err)
	}
	before, _ := b.bus.Contentions()
	out := ran{state: b.planner.Start()}
	b.run(t, b.programs.Prepare(nil))
	for range 1000 {
		e, done := b.planner.Next(out.state)
		if done {
			total, last := b.bus.Contentions()
			out.contentions = last[len(last)-min(int(total-before), len(last)):]
			return out
		}
		contended, _ := b.bus.Contentions()
		res := b.run(t, b.programs.Compile(e))
		seen, _, err := b.programs.Read(e, res.Captures)
		if err != nil {
			t.Fatal(err)
		}
		predicted := b.planner.Observe(faults, e)
		if !slices.EqualFunc(seen, predicted.Levels, slices.Equal) {
			t.Fatalf("%v: saw %v, predicted %v by %+v", faults, seen, predicted.Levels, e)
		}
		if now, _ := b.bus.Contentions(); (now > contended) != (predicted.Contending != nil) {
			t.Fatalf("%v: %d contentions, predicted %v by %+v", faults, now-contended, predicted.Contending, e)
		}
		out.experiments = append(out.experiments, e)
		out.state = b.planner.Update(out.state, e, seen)
	}
	t.Fatalf("%v: no end", faults)
	return out
}

// has reports whether a set of faults is among others.
func has(sets [][]diagnosis.Fault, set []diagnosis.Fault) bool {
	return slices.ContainsFunc(sets, func(s []diagnosis.Fault) bool { return slices.Equal(s, set) })
}

func key(sets [][]diagnosis.Fault) string { return fmt.Sprint(sets) }
