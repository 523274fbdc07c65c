package motion

import "time"

// LongestInterval is the longest time between two frames that are compared (our choice, no source): a robot that was
// not watched for so long knows nothing of what it did.
const LongestInterval = 2 * time.Second

// Regular reports whether the pixels that a window leaves are a lattice of which frames are compared: every other row
// of a hexagonal one makes a rectangular one; what else may be left out of it does not.
func Regular(hexagonal bool, rowStep, columnStep int) bool {
	rowStep, columnStep = max(rowStep, 1), max(columnStep, 1)
	return !hexagonal || rowStep%2 == 0 || rowStep == 1 && columnStep == 1
}

// Farthest is how many columns and rows a picture may have moved, from a shift that is not known, and still be looked
// for: as many as leave half of them in common, and enough for gradients. 0 is a direction of which frames of the shape
// tell nothing; rows count as such, also on a hexagonal lattice.
func (s Shape) Farthest() (columns, rows int) {
	far := func(n int) int { return max(0, min(n/2, n-leastCommon)) }
	switch s.kind() {
	case tooSmall:
		return 0, 0
	case alongRows:
		return far(s.Columns), 0
	case alongColumns:
		return 0, far(s.Rows)
	}
	return far(s.Columns), far(s.Rows)
}
