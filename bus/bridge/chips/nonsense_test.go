package chips

import (
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel/scene"
)

// TestABoardThatDrivesNonsense: whatever a board does at its pins, the chips answer as many codes as it asked for.
func TestABoardThatDrivesNonsense(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	s, err := New(Config{Array: bustest.MustLinearArray(), Lamp: NewLamp(scene.Uniform(100))}, 40)
	if err != nil {
		t.Fatal(err)
	}
	at := uint64(0)
	for i := range 5000 {
		e := wire.PinEvent{
			Kind: uint8(rng.IntN(10)), Which: uint8(rng.IntN(20)), Lanes: uint16(rng.IntN(8)),
			Value: uint16(rng.Uint32()), Count: uint16(rng.IntN(200)), Step: uint16(rng.IntN(4)),
			First: uint8(rng.IntN(2)), Counts: uint8(rng.IntN(2)), Width: rng.Uint64N(1000),
			Interval: rng.Uint64N(1000), Lead: rng.Uint64N(2000), Word: rng.Uint64() >> rng.IntN(64),
		}
		at += rng.Uint64N(100000)
		e.At = at
		if rng.IntN(20) == 0 {
			e.At, e.Width, e.Interval, e.Lead = rng.Uint64(), rng.Uint64(), rng.Uint64(), rng.Uint64()
		}
		if rng.IntN(20) == 0 {
			e.Which, e.Lanes, e.Count, e.Step = 255, 65535, 65535, 65535
		}
		lanes := 0
		for m := e.Lanes; m != 0; m &= m - 1 {
			lanes++
		}
		want := 0
		if e.Kind == wire.PinSample {
			want = lanes * min(int(e.Count), wire.MaxTrain)
		}
		if got := s.Do(nil, &e); len(got) != want {
			t.Fatalf("event %d, %+v: %d codes, want %d", i, e, len(got), want)
		}
	}
}
