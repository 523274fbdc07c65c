package diagnosis

import "facetd.example/chipmodel"

// pairSeeker finds pairs of faults that explain everything seen. A thousand single faults make half a million pairs. In
// most of them the two touch different chips, and what such a pair reaches is put together from what each reaches
// alone, which is quick.
type pairSeeker struct {
	p     *Planner
	x     *explainer
	lanes int
	// reached holds what is reached under both words, for each single hypothesis, observation and lane; the first
	// hypothesis is a fault-free array.
	reached []uint64
	touched []uint64            // by single hypothesis and lane
	lines   []chipmodel.LineSet // by single hypothesis
}

// widen begins to consider pairs of faults.
func (p *Planner) widen(s *State) {
	if s.wide {
		return
	}
	s.wide = true
	k := p.seeker(s.seen)
	pair := hypothesis{faults: make([]Fault, 2)}
	for i := 1; i < len(p.singles); i++ {
		f := p.singles[i].faults[0]
		for j := i + 1; j < len(p.singles); j++ {
			g := p.singles[j].faults[0]
			switch {
			case f.contradicts(g):
				continue
			case k.apart(i, j):
				if !k.explain(i, j) {
					continue
				}
			default:
				pair.faults[0], pair.faults[1] = f, g
				if pair.conv = converterOf(pair.faults); !k.x.explains(&pair) {
					continue
				}
			}
			s.doubles = append(s.doubles, p.hypothesis(f, g))
		}
	}
}

func (p *Planner) seeker(all []seen) *pairSeeker {
	k := &pairSeeker{p: p, x: p.explainer(all), lanes: len(p.a.Lanes)}
	n := len(all) * k.lanes
	k.reached = make([]uint64, 2*len(p.singles)*n)
	k.touched = make([]uint64, len(p.singles)*k.lanes)
	k.lines = make([]chipmodel.LineSet, len(p.singles))
	at := 0
	for h := range p.singles {
		for i := range k.x.seen {
			o := &k.x.seen[i]
			p.reach(p.singles[h].faults, o.enable, k.reached[at:at+k.lanes])
			p.reach(p.singles[h].faults, o.readout, k.reached[at+k.lanes:at+2*k.lanes])
			at += 2 * k.lanes
		}
		for _, f := range p.singles[h].faults {
			k.lines[h] |= linesOf(f)
			p.touch(f, k.touched[h*k.lanes:(h+1)*k.lanes])
		}
	}
	return k
}

// touch adds, lane by lane, the chips whose listening or driving a fault can change.
func (m *Model) touch(f Fault, chips []uint64) {
	for c, lane := range m.lane {
		touched := false
		switch f.Kind {
		case StuckActive, StuckInactive:
			touched = m.wires[c].Has(f.Line)
		case Swapped:
			touched = m.wires[c].Has(f.Line) || m.wires[c].Has(f.Other)
		case Dead, OpenActive, OpenInactive, Shorted:
			touched = f.Chip == c
		}
		if touched {
			chips[lane] |= m.bit[c]
		}
	}
}

// apart reports whether two single hypotheses touch different chips and different lines, and leave the converters
// alone.
func (k *pairSeeker) apart(i, j int) bool {
	for lane := range k.lanes {
		if k.touched[i*k.lanes+lane]&k.touched[j*k.lanes+lane] != 0 {
			return false
		}
	}
	return k.lines[i]&k.lines[j] == 0 && k.p.singles[i].conv == k.p.singles[j].conv
}

// linesOf are the lines whose levels a fault changes or, as a short, follows.
func linesOf(f Fault) chipmodel.LineSet {
	switch f.Kind {
	case StuckActive, StuckInactive:
		return 1 << uint(f.Line)
	case Swapped:
		return 1<<uint(f.Line) | 1<<uint(f.Other)
	case Shorted:
		return 1 << uint(f.Other)
	}
	return 0
}

// explain reports whether two single hypotheses that are apart together explain everything seen.
func (k *pairSeeker) explain(i, j int) bool {
	n := 2 * len(k.x.seen) * k.lanes
	good, f, g := k.reached[:n], k.reached[i*n:(i+1)*n], k.reached[j*n:(j+1)*n]
	tf, tg := k.touched[i*k.lanes:(i+1)*k.lanes], k.touched[j*k.lanes:(j+1)*k.lanes]
	at := 0
	for o := range k.x.seen {
		var levels uint64
		for lane := range k.lanes {
			mf, mg := tf[lane], tg[lane]
			u, w := at+lane, at+k.lanes+lane
			enabled := f[u]&mf | g[u]&mg | good[u]&^(mf|mg)
			selected := f[w]&mf | g[w]&mg | good[w]&^(mf|mg)
			if enabled&selected != 0 {
				levels |= uint64(Driven) << (2 * uint(lane))
			}
		}
		if (levels^k.x.seen[o].levels)&k.x.seen[o].mask != 0 {
			return false
		}
		at += 2 * k.lanes
	}
	return true
}
