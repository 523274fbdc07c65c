package bridge

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/wire"
)

// TestReadings: what a board measures is told, and followed; outside a limit every line becomes inactive, with the
// reading as the cause, and the device takes no configuration until that is over.
func TestReadings(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "readings")
	measured := func(supply string) {
		t.Helper()
		text := "array V " + supply + " 3000 3600\narray A 250 -10 500\nboard C 41500 -10000 70000\n"
		if err := os.WriteFile(path+".new", []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(path+".new", path); err != nil { // whole, or not at all
			t.Fatal(err)
		}
	}
	measured("3300")
	r, ctx := start(t, bridgetest.Config{Readings: path}), within(t)
	got := r.Status().Readings
	if len(got) != 3 || got[0] != (Reading{"array", wire.ReadingVolts, 3.3, 3, 3.6}) || got[1].String() !=
		"array 0.25 A, -0.01 to 0.5" || got[2].Unit() != "°C" {
		t.Fatalf("%v", got)
	}
	measured("3310")
	for began := time.Now(); r.Status().Readings[0].Value != 3.31; time.Sleep(time.Millisecond) {
		if time.Since(began) > time.Minute {
			t.Fatalf("not followed: %v", r.Status().Readings)
		}
	}
	p := long(r.array)
	if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	r.submit(t, p, 3, r.soon())
	measured("2950")
	var safe *SafeError
	if err := lostIs(t, r); !errors.As(err, &safe) || safe.Why != wire.SafeLimit ||
		safe.Outside != "array 2.95 V, 3 to 3.6" || !strings.Contains(err.Error(), safe.Outside) {
		t.Errorf("lost: %v", err)
	}
	err := r.Prepare(ctx, []*bus.Program{p})
	if !errors.Is(err, errHazard) || !strings.Contains(err.Error(), "2.95 V") {
		t.Errorf("configured all the same: %v", err)
	}
	measured("3300")
	again(t, ctx, r, p)
	if got := r.Status().Readings; len(got) != 3 || !got[0].Inside() {
		t.Errorf("afterwards: %v", got)
	}
}

// TestReadingsThatAreNone: nonsense is an error, and what has one name twice, or none, is told apart.
func TestReadingsThatAreNone(t *testing.T) {
	var r record
	for _, m := range []wire.Reading{{Index: 1, Count: 1}, {Count: wire.MaxReadings + 1}, {}} {
		if err := r.takeReading(wire.Append(nil, m)); err == nil {
			t.Errorf("%+v is taken", m)
		}
	}
	if err := r.takeReading([]byte{1}); err == nil {
		t.Error("a byte is taken")
	}
	for i := range uint8(3) {
		m := wire.Reading{Index: i, Count: 3, Kind: wire.ReadingVolts}
		if i < 2 {
			copy(m.Name[:], "a\nb")
		}
		if err := r.takeReading(wire.Append(nil, m)); err != nil {
			t.Fatal(err)
		}
	}
	if n := r.readings; n[0].Name != `a\nb` || n[1].Name != `a\nb#1` || n[2].Name != "#2" {
		t.Errorf("%+v", n)
	}
}

// TestAHostThatKnowsOfNoReadings: a host of the version before is told nothing that it does not know.
func TestAHostThatKnowsOfNoReadings(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "readings")
	if err := os.WriteFile(path, []byte("array V 3300 3000 3600\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := start(t, bridgetest.Config{Readings: path})
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	h := ownProcess()
	h.version.Minor = 0
	s, err := greet(within(t), r.Address, h)
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	config := wire.Append(nil, wire.Config{Lease: 1 << 40, Lines: 3, Lanes: 1})
	if got, err := s.ask(wire.TypeConfig, config); err != nil || got.Code != wire.ReplyOK || len(s.aside) > 0 {
		t.Errorf("%+v, %v, and beside it %d readings", got, err, len(s.aside))
	}
}
