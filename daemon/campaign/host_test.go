package campaign

import (
	"math/rand/v2"
	"time"

	"facetd.example/bus"
)

// addOverload adds, in one seed of six, the fault of a process that comes late again and again: before it hands each
// segment over, or after it has taken each result, something else takes it a while. What is too far behind for the bus
// is refused; changes and captures have to make do.
func (s *scenario) addOverload(r *rand.Rand) {
	if r.IntN(6) > 0 {
		return
	}
	from := time.Duration(1) // of the bus
	if r.IntN(2) == 0 {
		from = time.Duration(r.Int64N(int64(s.safety)))
	}
	f := fault{kind: overload, times: 1 << 30, at: bus.Time(from), until: bus.Time(s.safety), part: r.Float64(),
		seed: r.Uint64(), delay: time.Duration(200_000+r.IntN(12_000_000)>>r.IntN(5)) | 1}
	if r.IntN(2) == 0 {
		f.until = min(f.until, f.at.Add(time.Duration(r.Int64N(int64(s.safety)))))
	}
	s.faults = append(s.faults, f)
}

// starve has the process do something else for a while, where a fault says so: before segments are handed over in one
// of four, after results in the others.
func (d *driven) starve(before bool) {
	for i := range d.faulty.faults {
		f := &d.faulty.faults[i]
		if now := d.Now(); f.kind == overload && f.at <= now && now < f.until && before == (f.part < 0.25) {
			d.faulty.struckOnce(f)
			time.Sleep(f.delay)
		}
	}
}
