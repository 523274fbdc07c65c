package clocksync

// usual is by how much UTC runs fast or slow against the monotonic clock while it is being put right as usual: NTP's
// limit of 500 ppm (RFC 5905, the constant of the reference implementation; from memory).
const usual = 500e-6

// fastest is the most that a kernel lets it run fast or slow for that (a tenth: the bounds of the tick of adjtimex(2);
// from memory). Some time services make use of it.
const fastest = 0.1

// tolerance in nanoseconds is how far UTC may be from where it was expected before it counts as set.
const tolerance = 1_000_000

// Reading is a look at UTC between two looks at the monotonic clock, in nanoseconds; UTC counts from 1970.
type Reading struct{ Before, UTC, After int64 }

// UTC is what is known of UTC, which may be set at any time, against the monotonic clock, which is not. The zero value
// knows nothing. Each setting begins a new epoch. Times of one epoch are in order, to within a millisecond, and apart
// as they were to within a tenth; those of two epochs may be neither.
type UTC struct {
	known  bool
	at     int64   // monotonic, the middle of the last reading
	offset int64   // of UTC to it
	half   int64   // of the reading's width
	rate   float64 // at which the offset may change, from how it changed last
	epoch  uint32
}

// Add takes a reading into account, and returns by how much UTC was set since the one before: 0 where it was not. A
// reading that ends before it begins is left out.
func (u *UTC) Add(r Reading) (stepNS int64) {
	if r.After < r.Before {
		return 0
	}
	half := (r.After - r.Before + 1) / 2
	at := r.Before + half
	offset := r.UTC - at
	if !u.known {
		*u = UTC{known: true, at: at, offset: offset, half: half, rate: usual, epoch: 1}
		return 0
	}
	passed, off := float64(at-u.at), offset-u.offset
	surely := max(abs(off)-u.half-half, 0) // by how much it changed at least
	u.rate = usual
	if surely > int64(fastest*passed)+tolerance {
		u.epoch++
		stepNS = off
	} else if passed > 0 { // it may go on so, and faster
		u.rate = min(max(usual, 2*float64(surely)/passed), fastest)
	}
	u.at, u.offset, u.half = at, offset, half
	return stepNS
}

// At is UTC at an instant of the monotonic clock, in nanoseconds since 1970, how far it may be off what the machine
// showed then, as long as it was neither set since the last reading nor began to be slewed faster than usual, and the
// number of the epoch, 0 before the first reading. How far the machine's UTC is from the true one, its time service
// knows.
func (u *UTC) At(monotonic int64) (utc, uncertainty int64, epoch uint32) {
	if !u.known {
		return 0, 0, 0
	}
	return monotonic + u.offset, u.half + int64(float64(abs(monotonic-u.at))*u.rate) + 1, u.epoch
}

func abs(ns int64) int64 {
	if ns < 0 {
		return -ns
	}
	return ns
}
