package scene

import (
	"slices"
	"sort"

	"facetd.example/chipmodel/bustime"
)

// defaultRadiusM is that of a pipe of which none is given, in metres.
const defaultRadiusM = 0.3

// Since is a scene that is active from a bus time on.
type Since struct {
	Scene Scene
	At    bustime.Time
}

// sequence is one scene after another, by rising times; the first from before all time on.
type sequence []Since

// Sequence is one scene after another, at rising times. The first is active from before all time on.
func Sequence(scenes []Since) Scene {
	if len(scenes) == 1 {
		return scenes[0].Scene
	}
	return sequence(slices.Clone(scenes))
}

// at is the scene of a bus time.
func (s sequence) at(at bustime.Time) Scene {
	return s[max(sort.Search(len(s), func(i int) bool { return s[i].At > at })-1, 0)].Scene
}

func (s sequence) Name() string { return s[len(s)-1].Scene.Name() }

func (s sequence) Row(dst []float64, v *View, row int, at bustime.Time) {
	s.at(at).Row(dst, v, row, at)
}

// course keeps the lamp apart where it is one throughout. What moves on from where it was does not jump.
func (s sequence) course(v *View) Course {
	parts := make([]Course, len(s))
	one := true
	for i, since := range s {
		parts[i] = CourseOf(since.Scene, v)
		one = one && parts[i].Lamp == parts[0].Lamp
	}
	c := Course{Mean: s}
	if one {
		means := slices.Clone(s)
		for i := range means {
			means[i].Scene = parts[i].Mean
		}
		c.Mean, c.Lamp = means, parts[0].Lamp
	}
	for i, p := range parts {
		c.Every = sooner(c.Every, p.Every)
		if !one {
			c.Every = sooner(c.Every, resolving(p.Lamp))
		}
		if i > 0 && (parts[i-1].Lamp != p.Lamp || !goesOn(s[i-1].Scene, s[i].Scene, s[i].At)) {
			c.Jumps = append(c.Jumps, s[i].At)
		}
		for _, at := range p.Jumps {
			if (i == 0 || at > s[i].At) && (i+1 == len(s) || at < s[i+1].At) {
				c.Jumps = append(c.Jumps, at)
			}
		}
	}
	slices.Sort(c.Jumps)
	return c
}

// goesOn reports whether two scenes show the same at a bus time, but for their lamps, as both are of one picture and
// the pose is the same.
func goesOn(before, after Scene, at bustime.Time) bool {
	a, isA := pictureOf(before, at)
	b, isB := pictureOf(after, at)
	return isA && isB && &a.all[0] == &b.all[0] && a.opts.LampShare == b.opts.LampShare &&
		a.opts.Motion.At(at) == b.opts.Motion.At(at)
}

// pictureOf is the panorama that a scene shows at a bus time.
func pictureOf(s Scene, at bustime.Time) (*panorama, bool) {
	switch s := s.(type) {
	case *panorama:
		return s, true
	case flicker:
		return pictureOf(s.base, at)
	case step:
		if at < s.at {
			return pictureOf(s.before, at)
		}
		return pictureOf(s.after, at)
	case sequence:
		return pictureOf(s.at(at), at)
	}
	return nil, false
}

// MotionOf is the motion of the picture that a scene shows at a bus time; false where it shows none.
func MotionOf(s Scene, at bustime.Time) (Motion, bool) {
	p, is := pictureOf(s, at)
	if !is {
		return Motion{}, false
	}
	return p.opts.Motion, true
}

// Uniformly is a motion that goes on evenly from a pose at a bus time, in the same pipe.
func (m Motion) Uniformly(from Pose, at bustime.Time) Motion {
	return Motion{From: at, PipeRadiusM: m.PipeRadiusM, YawDeg: from.YawDeg, PitchDeg: from.PitchDeg,
		RollDeg: from.RollDeg, ForwardM: from.ForwardM, LeftM: from.LeftM, UpM: from.UpM}
}

// Moved is the scene with another motion of its pictures. A pipe that none is given has the radius of a scene that
// Parse reads. Errors: ParamError, of everything that is wrong with the motion.
func Moved(s Scene, m Motion) (Scene, error) {
	if m.PipeRadiusM == 0 && (m.ForwardM != 0 || m.ForwardMPerS != 0 || m.aside()) {
		m.PipeRadiusM = defaultRadiusM
	}
	var c checks
	m.check(&c)
	if err := c.err("pose"); err != nil {
		return nil, err
	}
	return moved(s, m), nil
}

func moved(s Scene, m Motion) Scene {
	switch s := s.(type) {
	case *panorama:
		own := *s
		own.move(m)
		return &own
	case flicker:
		s.base = moved(s.base, m)
		return s
	case step:
		s.before, s.after = moved(s.before, m), moved(s.after, m)
		return s
	case sequence:
		return moved(s[len(s)-1].Scene, m)
	}
	return s
}
