package scheduler

import (
	"math/big"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// TableOperations lists the operations of any timetable, spoiled ones too.
var TableOperations = tableOperations

// StretchStep is the step of the grid of least stretches that are not exact.
var StretchStep = big.NewRat(1, stretchDen)

// RaisedPlan plans tasks as those are planned whose own rates do not fit: the rate of one raised by a hair.
func RaisedPlan(t *testing.T, a *chipmodel.Array, specs []*facetdv1.Task) *Plan {
	t.Helper()
	p := plannerOf(t, a, specs)
	found := p.raised(p.tasks)
	if found == nil {
		t.Fatal("does not fit")
	}
	plan, err := p.plan(found)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func plannerOf(t *testing.T, a *chipmodel.Array, specs []*facetdv1.Task) *planner {
	t.Helper()
	tasks, m := program.NewTasks(a, specs)
	if len(m) > 0 {
		t.Fatal(m)
	}
	p, r := newPlanner(program.NewWords(a), tasks,
		Options{MaxSegments: defaultMaxSegments, MaxHyperperiod: defaultMaxHyperperiod})
	if r != nil {
		t.Fatal(r)
	}
	return p
}

// StretchedPlan plans tasks with all periods and deadlines stretched by a factor.
func StretchedPlan(t *testing.T, a *chipmodel.Array, specs []*facetdv1.Task, factor *big.Rat) (*Plan,
	*facetdv1.Refusal) {
	t.Helper()
	p := plannerOf(t, a, specs)
	cads, r := p.cadences(p.tasks)
	if r != nil {
		t.Fatal(r)
	}
	found, r := p.solve(cads[0].stretched(factor.Num().Int64(), factor.Denom().Int64()))
	if r != nil {
		return nil, r
	}
	plan, err := p.plan(found)
	if err != nil {
		t.Fatal(err)
	}
	return plan, nil
}
