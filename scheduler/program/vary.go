package program

import (
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// varied is the task with other views, checked again; nil where its chips cannot do it.
func (t *Task) varied(a *chipmodel.Array, change func(i int, v *facetdv1.View)) *Task {
	spec := t.Spec()
	if len(spec.Views) == 0 {
		spec.Views = []*facetdv1.View{{}}
	}
	for i, v := range spec.Views {
		change(i, v)
	}
	c := &checker{a: a}
	if out := c.task("", spec); len(c.m) == 0 {
		return out
	}
	return nil
}

// Binned is the task with blocks of at least a size in every view, over the same part of the lattice, and whether fewer
// pixels of some view are read; nil where its chips cannot do it.
func (t *Task) Binned(a *chipmodel.Array, rows, columns int) (out *Task, fewer bool) {
	out = t.varied(a, func(i int, v *facetdv1.View) {
		r, c := max(int(v.GetBinning().GetRows()), rows), max(int(v.GetBinning().GetColumns()), columns)
		v.Binning = &facetdv1.Binning{Rows: uint32(r), Columns: uint32(c)}
		w := t.Views[i].Window
		w.Rows, w.RowStep = coarser(w.Rows, w.RowStep, r)
		w.Columns, w.ColumnStep = coarser(w.Columns, w.ColumnStep, c)
		fewer = fewer || w.Pixels() < t.Views[i].Window.Pixels()
		v.Window = w.Message()
	})
	return out, fewer
}

// coarser spaces n pixels at least a new step apart over the same extent.
func coarser(n, step, least int) (int, int) {
	wide := max(step, least)
	return (n-1)*step/wide + 1, wide
}

// Cropped is the task with num/den of every view's window: its middle, or for chips read by counter its first rows; nil
// where its chips cannot do it.
func (t *Task) Cropped(a *chipmodel.Array, num, den int) *Task {
	return t.varied(a, func(i int, v *facetdv1.View) {
		w := t.Views[i].Window
		w.Row, w.Rows = middle(w.Row, w.Rows, w.RowStep, num, den, t.Class.Counts())
		if !t.Class.Counts() {
			w.Column, w.Columns = middle(w.Column, w.Columns, w.ColumnStep, num, den, false)
		}
		v.Window = w.Message()
	})
}

// middle is the middle, or the beginning, of one axis of a window.
func middle(first, n, step, num, den int, beginning bool) (int, int) {
	m := max(n*num/den, 1)
	if !beginning {
		first += (n - m) / 2 * step
	}
	return first, m
}
