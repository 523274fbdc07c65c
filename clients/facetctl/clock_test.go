package main

import (
	"encoding/json"
	"math"
	"regexp"
	"testing"
)

// TestClock compares this machine with one whose UTC is 90 s ahead.
func TestClock(t *testing.T) {
	f := startFake(t)
	address := f.address
	r := runAgainst(t, address, []string{"clock", "--trips", "20", "--output", "json"}, "")
	var got clocks
	if err := json.Unmarshal([]byte(r.Stdout), &got); err != nil || r.Status != 0 {
		t.Fatalf("%+v, %v", r, err)
	}
	if off := got.UncertaintyNS; off <= 3000 || off > 5e9 || math.Abs(float64(got.UTCAheadNS)-90e9) > float64(off) ||
		got.BusNS != 5e9 || got.MonotonicNS < 1e12 || got.Epoch != 3 || got.Trips != 20 {
		t.Errorf("got %+v", got)
	}
	if asked := len(f.taken()); asked != 20 {
		t.Errorf("asked %d times", asked)
	}
	r = runAgainst(t, address, []string{"clock"}, "")
	if asked := len(f.taken()); asked != 10 {
		t.Errorf("asked %d times", asked)
	}
	want := regexp.MustCompile(`^bus time         5 s
monotonic clock  1\d\d\d s since the host was booted
UTC              \d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z, epoch 3: 1 and how often it was set or the host slept
between machines UTC there is [89]\d(\.\d+)? s ahead of this machine's, \+- [0-9.]+ [mu]?s, by 10 questions
$`)
	if r.Status != 0 || !want.MatchString(r.Stdout) {
		t.Errorf("got %+v", r)
	}
	for _, bad := range []string{"0", "3", "1001", "-1", "many"} {
		if r := runAgainst(t, address, []string{"clock", "--trips", bad}, ""); r.Status != 2 || r.Stdout != "" {
			t.Errorf("--trips %s: %+v", bad, r)
		}
	}
	f.taken()
	r = runAgainst(t, address, []string{"clock", "--trips", "4", "--output", "json"}, "")
	if asked := len(f.taken()); asked != 4 || r.Status != 0 {
		t.Errorf("with the fewest trips: asked %d times, %+v", asked, r)
	}
}
