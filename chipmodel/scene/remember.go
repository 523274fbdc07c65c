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

// Remembering is a scene that remembers poses in which it was looked at: chips that are loaded together look at it at
// the same times, one after the other. It shows what the scene shows, but is for one goroutine.
func Remembering(s Scene) Scene {
	switch s := s.(type) {
	case *panorama:
		if s.still {
			return s
		}
		own := *s
		own.poses = new(poses)
		return &own
	case flicker:
		s.base = Remembering(s.base)
		return s
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
