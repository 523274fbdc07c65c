package selectword

import (
	"encoding/binary"
	"slices"
)

// maxCached limits a Resolver's memory. When it is full, the oldest answer is dropped.
const maxCached = 4096

// Resolver remembers the covers of targets. It is for one goroutine.
type Resolver struct {
	wiring *Wiring
	opt    Options
	cached map[string]answer
	oldest []string // keys in order of arrival
}

type answer struct {
	cover Cover
	err   error
}

// NewResolver returns a resolver over a wiring. Options.Once is ignored: each call says what it needs.
func NewResolver(w *Wiring, opt Options) *Resolver {
	return &Resolver{wiring: w, opt: opt, cached: map[string]answer{}}
}

// Cover is Wiring.Cover, remembered. The caller must not change the slices of the
// answer. The order of the target does not matter.
func (r *Resolver) Cover(target []int, once bool) (Cover, error) {
	key := cacheKey(target, once)
	if a, ok := r.cached[key]; ok {
		return a.cover, a.err
	}
	opt := r.opt
	opt.Once = once
	var a answer
	a.cover, a.err = r.wiring.Cover(target, opt)
	if len(r.oldest) == maxCached {
		delete(r.cached, r.oldest[0])
		r.oldest = slices.Delete(r.oldest, 0, 1)
	}
	r.cached[key] = a
	r.oldest = append(r.oldest, key)
	return a.cover, a.err
}

func cacheKey(target []int, once bool) string {
	key := []byte{0}
	if once {
		key[0] = 1
	}
	for _, chip := range slices.Sorted(slices.Values(target)) {
		key = binary.AppendVarint(key, int64(chip))
	}
	return string(key)
}
