package scene

import "facetd.example/chipmodel/bustime"

// keptPoses is how many poses are remembered: a power of two, more than the rows of a chip.
const keptPoses = 256

// poses are the poses of a panorama at the last times at which it was looked at. Each time has one place, in which it
// takes the place of another.
type poses [keptPoses]struct {
	known bool
	at    bustime.Time
	pose  pose32
}

// frames are what views show of a panorama that stays, as far as they were looked at.
type frames map[*View]*keptFrame

type keptFrame struct {
	known []bool // by row
	lux   []float64
}

// row is a row of a view; look is asked for it once.
func (f frames) row(dst []float64, v *View, row int, look func(dst []float64)) {
	first, n := v.span(dst, row)
	if n == 0 {
		return
	}
	kept := f[v]
	if kept == nil {
		kept = &keptFrame{make([]bool, v.lattice.Rows), make([]float64, v.lattice.Rows*v.lattice.Columns)}
		f[v] = kept
	}
	if !kept.known[row] {
		look(kept.lux[first:][:v.lattice.Columns])
		kept.known[row] = true
	}
	copy(dst[:n], kept.lux[first:])
}

// Remembering is a scene that remembers what it was asked for: of one that moves the poses in which it was looked at,
// as chips that are loaded together look at it at the same times, one after the other; of one that stays all that views
// have shown of it. It shows what the scene shows, but it is for one goroutine, and allocates where a view looks at it
// for the first time.
func Remembering(s Scene) Scene {
	switch s := s.(type) {
	case *panorama:
		own := *s
		if s.still {
			own.frames = frames{}
		} else {
			own.poses = new(poses)
		}
		return &own
	case flicker:
		s.base = Remembering(s.base)
		return s
	case sequence:
		own := make(sequence, len(s))
		for i, since := range s {
			own[i] = Since{Remembering(since.Scene), since.At}
		}
		return own
	case step:
		s.before, s.after = Remembering(s.before), Remembering(s.after)
		return s
	}
	return s
}

// recallPose is poseAt, from memory where it can be.
func (p *panorama) recallPose(at bustime.Time) pose32 {
	if p.poses == nil {
		return p.poseAt(at)
	}
	// The upper bits of a product with an odd number (the golden section of 2^64) spread times that are evenly apart.
	kept := &p.poses[uint64(at)*0x9e3779b97f4a7c15>>56]
	if !kept.known || kept.at != at {
		kept.known, kept.at, kept.pose = true, at, p.poseAt(at)
	}
	return kept.pose
}
