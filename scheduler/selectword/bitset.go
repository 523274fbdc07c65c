package selectword

import (
	"iter"
	"math/bits"
)

func setBit(set []uint64, i int)      { set[i>>6] |= 1 << (i & 63) }
func clearBit(set []uint64, i int)    { set[i>>6] &^= 1 << (i & 63) }
func hasBit(set []uint64, i int) bool { return set[i>>6]>>(i&63)&1 != 0 }

func isEmpty(set []uint64) bool {
	for _, x := range set {
		if x != 0 {
			return false
		}
	}
	return true
}

func count(set []uint64) int {
	n := 0
	for _, x := range set {
		n += bits.OnesCount64(x)
	}
	return n
}

// countBoth is the size of the intersection.
func countBoth(a, b []uint64) int {
	n := 0
	for i, x := range a {
		n += bits.OnesCount64(x & b[i])
	}
	return n
}

func meets(a, b []uint64) bool {
	for i, x := range a {
		if x&b[i] != 0 {
			return true
		}
	}
	return false
}

func subset(a, b []uint64) bool {
	for i, x := range a {
		if x&^b[i] != 0 {
			return false
		}
	}
	return true
}

// fullSet is the set of 0..n-1.
func fullSet(n int) []uint64 {
	set := make([]uint64, (n+63)/64)
	for i := range n {
		setBit(set, i)
	}
	return set
}

// members yields every member, ascending.
func members(set []uint64) iter.Seq[int] {
	return func(yield func(i int) bool) {
		for k, x := range set {
			for ; x != 0; x &= x - 1 {
				if !yield(k<<6 | bits.TrailingZeros64(x)) {
					return
				}
			}
		}
	}
}

// remove takes the members of b out of a.
func remove(a, b []uint64) {
	for k, x := range b {
		a[k] &^= x
	}
}

func lowBit(x uint64) int { return bits.TrailingZeros64(x) }
