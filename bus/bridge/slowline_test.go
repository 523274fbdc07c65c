package bridge

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bridge/linetest"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// slow is a bus at the far end of a serial line, in virtual time: the firmware is told the time step by step.
type slow struct {
	*Bus
	happened sync.Mutex
	trace    []wire.PinEvent // what has happened at the pins; the chips are served beside the bubble
}

func (s *slow) note(e wire.PinEvent) {
	s.happened.Lock()
	defer s.happened.Unlock()
	s.trace = append(s.trace, e)
}

func (s *slow) pins() []wire.PinEvent {
	s.happened.Lock()
	defer s.happened.Unlock()
	return slices.Clone(s.trace)
}

// lineOf is more than a stop takes on a line, in bytes.
const lineOf = 64

const slowTick = 40 * time.Nanosecond

// onSlowLine does something with a bus at the far end of a serial line of a rate, in a bubble.
func onSlowLine(t *testing.T, a *chipmodel.Array, line linetest.Config, pulses []chips.Pulse,
	do func(t *testing.T, s *slow)) {
	t.Helper()
	s := &slow{}
	line.Device = bridgetest.StartSteps(t, chips.Config{Array: a, Lamp: chips.NewLamp(light(t)), Seed: seed,
		Pulses: pulses, Trace: s.note}, slowTick)
	synctest.Test(t, func(t *testing.T) {
		l := linetest.New(line)
		defer l.Close()
		d, err := Dialer{Link: l.Dial}.Dial(t.Context(), "steps:")
		if err != nil {
			t.Fatal(err)
		}
		on, err := a.OnGrain(slowTick)
		if err != nil {
			t.Fatal(err)
		}
		if s.Bus, err = New(t.Context(), Config{Device: d, Array: on, Lease: 5 * time.Second}); err != nil {
			t.Fatal(err)
		}
		do(t, s)
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := line.Device.Close(); err != nil {
		t.Error(err)
	}
}

// TestAStopOvertakes: on a slow serial line with much on its way a stop is taken up before what was sent ahead of it:
// the lines are inactive within the release limit and the time of one frame, which the line has taken already, though
// all that waits would take many times as long. Nothing that was sent before is driven
// afterwards, and what is submitted then runs.
func TestAStopOvertakes(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(peertest.Seed(t), 0))
	for _, baud := range []int{115_200, 1_000_000} {
		onSlowLine(t, bustest.MustLinearArray(), linetest.Config{Baud: baud, Latency: 100 * time.Microsecond}, nil,
			func(t *testing.T, s *slow) { stopsAtOnce(t, s, baud, rng) })
	}
}

// TestAStopOvertakesAfterManyRuns: so it does in a session in which so many runs came after the stop before it that
// their numbers have gone half around.
func TestAStopOvertakesAfterManyRuns(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(peertest.Seed(t), 0))
	const baud = 115_200
	onSlowLine(t, bustest.MustLinearArray(), linetest.Config{Baud: baud, Latency: 100 * time.Microsecond}, nil,
		func(t *testing.T, s *slow) {
			if err := s.Prepare(t.Context(), []*bus.Program{long(s.array)}); err != nil {
				t.Fatal(err)
			}
			if stop, err := s.Release(t.Context()); err != nil || !stop.Confirmed {
				t.Fatalf("%+v, %v", stop, err)
			}
			s.mu.Lock()
			s.ids += 1<<31 + 1
			s.taken = s.ids
			s.mu.Unlock()
			stopsAtOnce(t, s, baud, rng)
		})
}

func stopsAtOnce(t *testing.T, s *slow, baud int, rng *rand.Rand) {
	ctx := t.Context()
	r := &rig{Bus: s.Bus}
	p := long(s.array)
	if err := s.Prepare(ctx, []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	begins := s.array.UpTime(s.Now().Add(2 * s.Limits().LeastLead))
	r.submit(t, p, 3, begins)
	if err := s.WaitUntil(ctx, begins.Add(time.Duration(rng.Int64N(int64(200*time.Millisecond))))); err != nil {
		t.Fatal(err)
	}
	perByte := 10 * time.Second / time.Duration(baud)
	waiting := 0
	s.mu.Lock()
	for range 64 { // of which the line and the device's window take a few
		payload := bytes.Repeat([]byte{255}, wire.MaxPayload)
		waiting += len(payload)
		if err := s.send(wire.TypeDrop, payload); err != nil { // of a program that is not there
			t.Error(err)
		}
	}
	s.mu.Unlock()
	synctest.Wait()
	asked := s.Now()
	stop, err := s.Release(ctx)
	if err != nil || !stop.Confirmed {
		t.Fatalf("%+v, %v", stop, err)
	}
	frame := time.Duration(wire.HeaderSize+wire.MaxPayload+16) * perByte
	took, all := stop.Inactive.Sub(asked), time.Duration(waiting)*perByte
	t.Logf("at %d baud the lines were inactive %v after the stop; what waited takes %v, a frame %v", baud, took, all,
		frame)
	// Its own frame is short; and the host's time of asking is known as well as the device's clock is.
	own := 2*lineOf*perByte + 500*time.Microsecond
	if took > s.Limits().Release+frame+own || stop.Received.Add(time.Millisecond) < asked {
		t.Errorf("the lines were inactive %v after the stop, and a frame takes %v", took, frame)
	}
	for i := range 3 {
		if res, err := s.Next(ctx); err != nil || res.Err == nil {
			t.Errorf("segment %d: %v, %+v", i, err, res)
		}
	}
	again := s.array.UpTime(s.Now().Add(all + 4*s.Limits().LeastLead)) // behind all that waits
	r.submit(t, p, 1, again)
	if err := s.WaitUntil(ctx, again.Add(200*time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	s.mu.Lock() // as if the link had doubled it, and kept it until now: what was submitted since runs on
	s.session.atOnce(wire.TypeStop, wire.Append(nil, wire.Stop{Id: s.releases}))
	s.mu.Unlock()
	if res, err := s.Next(ctx); err != nil || res.Err != nil {
		t.Errorf("after the stop: %v, %v", err, res.Err)
	}
	for _, e := range s.pins() {
		if at := bus.Time(e.At) * bus.Time(slowTick); at > stop.Inactive && at < again && e.Kind != wire.PinRelease {
			t.Errorf("driven after the stop: %+v", e)
		}
	}
}

// TestANoisyInput: an input with 100,000 edges a second on a slow serial line makes no segment late: edges leave the
// link to results, and each that is not told is counted.
func TestANoisyInput(t *testing.T) {
	t.Parallel()
	a := synchronized(t, 1)
	const every = 10 * time.Microsecond
	pulses := []chips.Pulse{{Input: a.Device.Inputs[0].Pin, Every: every, Width: 4 * time.Microsecond}}
	line := linetest.Config{Baud: 1_000_000, Latency: 100 * time.Microsecond, Every: 50 * time.Microsecond}
	onSlowLine(t, a, line, pulses,
		func(t *testing.T, s *slow) { copesWithNoise(t, s, every) })
}

const noisySegments = 20

func copesWithNoise(t *testing.T, s *slow, every time.Duration) {
	ctx := t.Context()
	var mu sync.Mutex
	var told uint64
	var first, last bus.Edge
	s.OnEdge(func(e bus.Edge) {
		mu.Lock()
		defer mu.Unlock()
		if e.Count {
			return
		}
		if told == 0 {
			first = e
		}
		told, last = told+1, e
	})
	r := &rig{Bus: s.Bus}
	all := programs(s.array)
	if err := s.Prepare(ctx, all); err != nil {
		t.Fatal(err)
	}
	begins := s.array.UpTime(s.Now().Add(2 * s.Limits().LeastLead))
	for i := range noisySegments {
		segment := r.segment(all[i%len(all)], uint64(i))
		if err := s.Submit(begins.Add(time.Duration(i)*20*time.Millisecond), segment); err != nil {
			t.Fatal(err)
		}
	}
	for i := range noisySegments {
		res, err := s.Next(ctx)
		s.Inspector().JobEnded(r.segment(nil, uint64(i)).Job, bus.Outcome{Kind: bus.OnTime})
		if err != nil || res.Err != nil {
			t.Fatalf("segment %d: %v, %v", i, err, res.Err)
		}
		if took := s.Now().Sub(res.End); took > s.Limits().ResultLatency {
			t.Errorf("the result of segment %d came after %v", i, took)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	came := uint64(last.At.Sub(first.At)/every) + 1
	said := fmt.Sprintf("%d edges came, %d were told, %d missed", came, told, last.Missed-first.Missed)
	t.Log(said)
	if told+last.Missed-first.Missed != came || last.Missed == first.Missed || told < 100 {
		t.Error(said)
	}
}
