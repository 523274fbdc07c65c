package clocksync

// slew is by how much UTC runs fast or slow against the monotonic clock while it is being put right: NTP's limit of 500
// ppm (RFC 5905, the constant of the reference implementation; from memory).
const slew = 500e-6

// tolerance in nanoseconds is how far UTC may be from where it was expected before it counts as set: within it a
// mapping that changes is told as its uncertainty.
const tolerance = 1_000_000

// Reading is a look at UTC between two looks at the monotonic clock, in nanoseconds; UTC counts from 1970.
type Reading struct{ Before, UTC, After int64 }

// UTC is what is known of UTC, which may be set at any time, against the monotonic clock, which is not. The zero value
// knows nothing. Each setting begins a new epoch: times of one epoch are in order and apart as they were, those of
// two epochs may not be.
type UTC struct {
	known  bool
	at     int64 // monotonic, the middle of the last reading
	offset int64 // of UTC to it
	half   int64 // of the reading's width
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
		*u = UTC{known: true, at: at, offset: offset, half: half, epoch: 1}
		return 0
	}
	off := offset - u.offset
	if allowed := u.half + half + slewed(at-u.at) + tolerance; off < -allowed || off > allowed {
		u.epoch++
		stepNS = off
	}
	u.at, u.offset, u.half = at, offset, half
	return stepNS
}

// At is UTC at an instant of the monotonic clock, in nanoseconds since 1970, how far it may be off what the machine
// showed then, as long as it was not set since the last reading, and the number of the epoch, 0 before the first
// reading. How far the machine's UTC is from the true one, its time service knows.
func (u *UTC) At(monotonic int64) (utc, uncertainty int64, epoch uint32) {
	if !u.known {
		return 0, 0, 0
	}
	return monotonic + u.offset, u.half + slewed(monotonic-u.at), u.epoch
}

// slewed is by how much UTC may have gone another way in a time, in nanoseconds.
func slewed(ns int64) int64 {
	if ns < 0 {
		ns = -ns
	}
	return int64(float64(ns)*slew) + 1
}
