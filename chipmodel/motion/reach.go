package motion

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
