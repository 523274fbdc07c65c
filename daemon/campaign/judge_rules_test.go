package campaign

import (
	"slices"
	"time"

	"facetd.example/bus/rules"
)

// judgeRules: rules are violated only where an injected fault explains it.
func (o *outcome) judgeRules(l *life) {
	for _, v := range l.ledger.violations {
		if !l.explained(v) {
			o.problem("%v", v)
			return
		}
	}
	if n := l.inspector.Total(); n != uint64(len(l.ledger.violations)) {
		o.problem("%d rule violations, %d were reported; the last: %v", n, len(l.ledger.violations),
			l.inspector.Violations())
	}
}

// explained reports whether a fault explains a violation.
func (l *life) explained(v rules.Violation) bool {
	return slices.ContainsFunc(l.bus.strikes, func(s strike) bool {
		switch s.fault.kind {
		case failHalfway, scramble:
			// What breaks off within a command that takes several select words has not reached all of its target.
			return v.Rule == rules.RuleStrobeOnce && v.At >= s.at && v.At <= s.till
		case wiring:
			// A chip that did not hear the load says that it holds none.
			return v.Rule == rules.RuleHoldSkew && v.At >= s.at && v.At <= l.replaced(s.till)
		case slowBus:
			// A load is held for longer, and loads are further apart, than the planner could know.
			return v.Rule == rules.RuleHoldSkew && v.At >= s.at && v.At <= s.till.Add(l.longestResponse())
		}
		return false
	})
}

// longestResponse is how long a job takes at most from its release.
func (l *life) longestResponse() time.Duration {
	var most time.Duration
	for _, p := range l.ledger.plans {
		for _, t := range p.plan.GetPredictions() {
			most = max(most, time.Duration(t.GetWorstResponseNs()))
		}
	}
	return most
}
