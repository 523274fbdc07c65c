package environment

import (
	"slices"

	"facetd.example/bus"
)

// timeline is what is active from when on, by rising times: the first from before all that is asked for.
type timeline[T any] []active[T]

type active[T any] struct {
	from bus.Time
	what T
}

// at is what is active at a bus time.
func (l timeline[T]) at(at bus.Time) T {
	is := l[0].what
	for _, a := range l[1:] {
		if a.from <= at {
			is = a.what
		}
	}
	return is
}

// set lets something be active from a bus time on, up to what follows already, and forgets what is over at now.
func (l *timeline[T]) set(from bus.Time, what T, now bus.Time) {
	i := len(*l)
	for i > 1 && (*l)[i-1].from > from {
		i--
	}
	if i > 1 && (*l)[i-1].from == from {
		(*l)[i-1].what = what
	} else {
		*l = slices.Insert(*l, i, active[T]{from, what})
	}
	over := 0
	for over+1 < len(*l) && (*l)[over+1].from <= now {
		over++
	}
	*l = slices.Delete(*l, 0, over)
}

// toCome is how many changes are to come after a bus time.
func (l timeline[T]) toCome(now bus.Time) int {
	n := 0
	for n < len(l)-1 && l[len(l)-1-n].from > now {
		n++
	}
	return n
}
