package scheduler

import (
	"math/big"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// StretchedPlan plans tasks with all periods and deadlines stretched by a refusal's
// factor, or by one step of its grid less.
func StretchedPlan(t *testing.T, a *chipmodel.Array, specs []*facetdv1.Task, factor string, less int64) (*Plan, *facetdv1.Refusal) {
	t.Helper()
	tasks, m := NewTasks(a, specs)
	if len(m) > 0 {
		t.Fatal(m)
	}
	p := &planner{a: a, tasks: tasks, words: newWords(a), start: assumed(a, tasks),
		opt: Options{MaxSegments: defaultMaxSegments, MaxHyperperiod: defaultMaxHyperperiod}}
	if r := p.prepare(); r != nil {
		t.Fatal(r)
	}
	cads, r := p.cadences(p.asked)
	if r != nil {
		t.Fatal(r)
	}
	f, ok := new(big.Rat).SetString(factor)
	if !ok {
		t.Fatalf("factor %q", factor)
	}
	num := new(big.Rat).Mul(f, big.NewRat(stretchDen, 1))
	found, r := p.solve(cads[0].stretched(num.Num().Int64()-less, stretchDen))
	if r != nil {
		return nil, r
	}
	plan, err := p.plan(found)
	if err != nil {
		t.Fatal(err)
	}
	return plan, nil
}
