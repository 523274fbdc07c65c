package motion

import "math"

// confirming is how many chips have to take part for a way to need a third one that shows it (our choice, no source):
// four are left then that know better.
const confirming = 6

// confirm tells the turn alone, and leaves chips out, where one or two by themselves show a way: two shifts are
// explained by two distances and the direction of a way whatever they are, so that nothing says whether something near
// is passed or something moves by itself in front of those chips. All others say that the body only turns.
func (s *Solver) confirm(b Body) Body {
	if !b.Told || b.RotationOnly || b.Used < confirming || 2*b.Used <= len(s.parts) {
		return b
	}
	most := s.showMost()
	var all, extra float64
	for i, left := range s.left {
		if !left && i != most[0] && i != most[1] {
			all += s.shown[i]
			extra += float64(s.parts[i].Flows.Used)
		}
	}
	if all > chance(extra)*max(1, b.ChiSquared) {
		return b
	}
	var out [2]bool
	for k, i := range most {
		out[k] = s.shown[i] > chance(float64(s.parts[i].Flows.Used))*max(1, b.ChiSquared)
		s.left[i] = out[k]
	}
	s.prepare()
	if without := s.once(); without.Told && without.RotationOnly {
		s.last = way{}
		return without
	}
	for k, i := range most {
		if out[k] {
			s.left[i] = false
		}
	}
	s.prepare()
	return s.once()
}

// showMost are the two chips that show most of the way.
func (s *Solver) showMost() (most [2]int) {
	most = [2]int{-1, -1}
	for i, left := range s.left {
		switch {
		case left:
		case most[0] < 0 || s.shown[i] > s.shown[most[0]]:
			most = [2]int{i, most[0]}
		case most[1] < 0 || s.shown[i] > s.shown[most[1]]:
			most[1] = i
		}
	}
	return most
}

// behind is the chip whose nearness is furthest below 0, if it is so beyond doubt: nothing is at such a distance, so
// that what it sees moves by itself. -1 where there is none.
func (s *Solver) behind(b *Body) int {
	if !b.Told || b.RotationOnly || b.Used < confirming || 2*b.Used <= len(s.parts) {
		return -1
	}
	behind, most, nearest := -1, 25.0, 0.0 // five standard deviations, in squares (our choice, no source)
	for i := range s.out {
		nearest = max(nearest, s.out[i].Nearness)
	}
	for i := range s.out {
		c := &s.out[i]
		// What is left of a turn by errors that all have is a small part of what is near.
		if squares := c.Nearness * c.Nearness / c.Variance; c.Nearness < -nearest/10 && squares > most {
			behind, most = i, squares
		}
	}
	return behind
}

// chance is what squares of so many degrees of freedom do not exceed by chance.
func chance(free float64) float64 { return free + 6*math.Sqrt(2*free) }
