package scene

import "facetd.example/chipmodel/bustime"

// Sweep is how the pixels of a row are read one after another, evenly: the first column at one bus time, the last,
// which is a higher one, at another.
type Sweep struct {
	First, Last int
	From, To    bustime.Time
}

// SweepOf returns what shows each pixel of a row of a view at its own time, in one look where Scene.Row would take one
// for each time; the pose is taken to go evenly from that of the first column to that of the last. It fills dst as Row
// does. It is nil for a scene that cannot, and for one that stays.
func SweepOf(s Scene, v *View) func(dst []float64, row int, sweep Sweep) {
	p, ok := s.(*panorama)
	if !ok || p.still || p.placed(v) || p.pattern != nil {
		return nil
	}
	return func(dst []float64, row int, sweep Sweep) {
		first, n := v.span(dst, row)
		if n == 0 {
			return
		}
		from, to := p.recallPose(sweep.From), p.recallPose(sweep.To)
		by := drift{first: float32(-sweep.First), forward: to.forward - from.forward}
		share := 1 / float32(sweep.Last-sweep.First)
		for i := range by.m {
			by.m[i] = (to.m[i] - from.m[i]) * share
		}
		by.forward *= share
		p.row(dst[:n], v, first, &from, &by)
	}
}

// drift is how a pose goes from one pixel to the next of a row.
type drift struct {
	first   float32 // how many pixels the first of a batch comes after the one that has the pose
	m       [9]float32
	forward float32
}

// pose is the turned pose and the displacement i pixels into the batch.
func (d *drift) pose(m *[9]float32, from *pose32, i float32) (forward float32) {
	i += d.first
	for k := range m {
		m[k] = from.m[k] + i*d.m[k]
	}
	return from.forward + i*d.forward
}
