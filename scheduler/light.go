package scheduler

import (
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/motion"
	"facetd.example/scheduler/program"
)

// motion says how far apart the frames of a task are that are compared for motion, and what turn they can follow.
// starts are those of the segments of each job.
func (p *report) motion(out *facetdv1.Prediction, t *TaskPlan, m *Member, starts [][]time.Duration) {
	least, most := intervals(t, m, starts, p.plan.Hyperperiod)
	if most == 0 {
		return
	}
	out.LeastLightIntervalNs, out.GreatestLightIntervalNs = int64(least), int64(most)
	if most <= motion.LongestInterval { // frames further apart are not compared
		out.FastestTurnRadPerS = roundedDown(farthestTurn(p.array, m.Task) / most.Seconds())
	}
}

// roundedDown keeps nine digits: processors differ in the last of a number, and plans are to be the same on all of
// them.
func roundedDown(v float64) float64 {
	if v <= 0 {
		return 0
	}
	digits := math.Pow(10, 8-math.Floor(math.Log10(v)))
	return math.Floor(v*digits) / digits
}

// intervals are the least and the greatest time between the light of two frames of a task that are compared: within the
// pairs of a job, or from one job to the next. Where a slot gives the window, the light of a frame may be later; that
// of both frames of a pair by as much.
func intervals(t *TaskPlan, m *Member, starts [][]time.Duration, cycle time.Duration) (least, most time.Duration) {
	if t.Task.Sporadic != nil && t.Task.Pair == 0 {
		return 0, 0
	}
	least = math.MaxInt64
	seen := map[string]*program.Course{}
	var c courses
	of := func(starts []time.Duration) *program.Course {
		key := c.keyOf(starts)
		if seen[key] == nil {
			seen[key] = t.Follow(starts)
		}
		return seen[key]
	}
	for k, now := range starts {
		a := of(now)
		if t.Task.Pair > 0 {
			for f := m.FirstFrame; f < m.FirstFrame+m.Frames/2; f++ {
				d := a.Light[f+m.Frames/2] - a.Light[f]
				least, most = min(least, d), max(most, d)
			}
			continue
		}
		next := starts[(k+1)%len(starts)]
		b, later := of(next), next[0]-now[0]
		if k+1 == len(starts) {
			later += cycle
		}
		for f := m.FirstFrame; f < m.FirstFrame+m.Frames; f++ {
			d := later + b.After(f) - a.After(f)
			least, most = min(least, d-a.Late(f)), max(most, d+b.Late(f))
		}
	}
	return least, most
}

// farthestTurn is the largest angle, in radians, by which a body may have turned between two frames of a task and still
// be looked for, whatever the axis: the picture in the middle of a view then moves by as much as that at most. It is
// that of the view and chip with the largest; 0 where the frames of none can be compared.
func farthestTurn(a *chipmodel.Array, t *program.Task) float64 {
	var most float64
	for _, c := range t.Chips {
		camera := a.Chips[c].Camera()
		lattice := camera.Lattice()
		for i := range t.Views {
			w := t.Views[i].Window
			if !motion.Regular(lattice.Hexagonal, w.RowStep, w.ColumnStep) {
				continue
			}
			shape := motion.Shape{Rows: w.Rows, Columns: w.Columns, Hexagonal: lattice.Hexagonal && w.RowStep == 1}
			columns, rows := shape.Farthest()
			sight := camera.Pixel(w.Row+w.Rows/2*w.RowStep, w.Column+w.Columns/2*w.ColumnStep)
			across := float64(columns*w.ColumnStep) * geometry.Length(sight.Right)
			along := float64(rows*w.RowStep) * lattice.RowPitch() * geometry.Length(sight.Down)
			switch {
			case columns == 0:
				across = along
			case rows == 0:
				along = across
			}
			most = max(most, min(across, along))
		}
	}
	return most
}
