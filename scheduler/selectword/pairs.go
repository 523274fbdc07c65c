package selectword

import "math/bits"

// maxPairs limits the elements for which pairs are looked at: the table is square.
const maxPairs = 256

// pairs knows, for every two elements of a part, all elements that a word for both holds. Half-way through a partition
// the elements already reached are forbidden as well, so fewer and fewer pairs fit, and the fooling sets among the rest
// grow: a much better lower bound than at the start.
type pairs struct {
	n      int
	stride int
	closed []uint64   // [(i*n+j)*stride:][:stride], i < j; the full set where no word holds both
	fits   [][]uint64 // scratch: by element, the open ones that still fit
}

func (in *instance) newPairs(p *part) *pairs {
	n := len(p.elems)
	q := &pairs{n: n, stride: p.stride, closed: make([]uint64, n*n*p.stride), fits: make([][]uint64, n)}
	for i := range n {
		q.fits[i] = make([]uint64, p.stride)
		for j := i + 1; j < n; j++ {
			both := q.closed[(i*n+j)*p.stride:][:p.stride]
			if hasBit(p.fits[i], j) {
				word, _ := in.fit(p.elems[i] | p.elems[j])
				copy(both, p.column(word).has)
				continue
			}
			for k := range both {
				both[k] = ^uint64(0)
			}
		}
	}
	in.charge(1 + n*n/16)
	return q
}

// fooling returns the size of a set of open elements no two of which fit in one word of open elements, and the open
// element that fits with fewest others. It stops counting beyond enough, where the caller gives up the branch anyway.
func (q *pairs) fooling(open []uint64, enough int) (size, tightest int) {
	for i := range members(open) {
		clear(q.fits[i])
	}
	for i := range members(open) {
		row := q.closed[i*q.n*q.stride:]
		for j := range members(open) {
			if j > i && subset(row[j*q.stride:][:q.stride], open) {
				setBit(q.fits[i], j)
				setBit(q.fits[j], i)
			}
		}
	}
	tightest = -1
	left := append(make([]uint64, 0, maxPairs/64), open...)
	for size <= enough && !isEmpty(left) {
		pick, fewest := -1, q.n+1
		for i := range members(left) {
			if d := countBoth(q.fits[i], left); d < fewest {
				pick, fewest = i, d
			}
		}
		if tightest < 0 {
			tightest = pick
		}
		clearBit(left, pick)
		for k, x := range q.fits[pick] {
			left[k] &^= x
		}
		size++
	}
	return size, tightest
}

// foolingSmall is fooling for at most 64 elements, where sets are single words: it
// is where partitions spend their time. Only pairs that fitted in a larger open set
// can still fit in this one: before is what fitted then, fits becomes what fits now.
func (q *pairs) foolingSmall(open uint64, enough int, before, fits *[64]uint64) (size, tightest int) {
	for rest := open; rest != 0; rest &= rest - 1 {
		fits[bits.TrailingZeros64(rest)] = 0
	}
	for rest := open; rest != 0; {
		i := bits.TrailingZeros64(rest)
		rest &= rest - 1
		row := q.closed[i*q.n:][:q.n]
		mine := fits[i]
		for later := rest & before[i]; later != 0; later &= later - 1 {
			j := bits.TrailingZeros64(later)
			if row[j]&^open == 0 {
				mine |= 1 << j
				fits[j] |= 1 << i
			}
		}
		fits[i] = mine
	}
	tightest = -1
	for left := open; size <= enough && left != 0; size++ {
		pick, fewest := 0, 65
		for rest := left; rest != 0; rest &= rest - 1 {
			i := bits.TrailingZeros64(rest)
			if d := bits.OnesCount64(fits[i] & left); d < fewest {
				pick, fewest = i, d
			}
		}
		if tightest < 0 {
			tightest = pick
		}
		left &^= fits[pick] | 1<<pick
	}
	return size, tightest
}
