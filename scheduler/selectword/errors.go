package selectword

import (
	"fmt"

	"facetd.example/chipmodel"
)

// UnreachableError is the error of a target with a chip that cannot be reached
// without others outside the target: under every word that reaches it, those
// others listen too. The caller adds them to the target or changes the wiring.
type UnreachableError struct {
	Chip     int
	Blocking []int // ascending, never empty
}

func (e *UnreachableError) Error() string {
	return fmt.Sprintf("chip %d cannot be reached without chips %v, which are outside the target", e.Chip, e.Blocking)
}

// ClashError is the error of a target that can be covered but not partitioned:
// every cover reaches one of these chips twice. No chip of the list can be left
// out of the explanation. The caller splits the target into several commands.
type ClashError struct {
	Chips []int // ascending
}

func (e *ClashError) Error() string {
	return fmt.Sprintf("chips %v cannot each be reached exactly once: they force one another into one word, which "+
		"reaches chips outside the target", e.Chips)
}

// TargetError is the error of a target that is no set of chips. All its errors
// are in it.
type TargetError struct {
	Empty      bool
	OutOfRange []int // indices that no chip has, in the order given
	Repeated   []int // indices given more than once, ascending
	Chips      int   // number of chips of the wiring
}

func (e *TargetError) Error() string {
	text := "target:"
	if e.Empty {
		text += " no chips;"
	}
	if len(e.OutOfRange) > 0 {
		text += fmt.Sprintf(" no chip has index %v (there are %d);", e.OutOfRange, e.Chips)
	}
	if len(e.Repeated) > 0 {
		text += fmt.Sprintf(" given twice: %v;", e.Repeated)
	}
	return text[:len(text)-1]
}

// CostError is the error of a cost function that returned a cost outside
// 1..MaxCost.
type CostError struct {
	Word chipmodel.LineSet
	Cost int64
}

func (e *CostError) Error() string {
	return fmt.Sprintf("cost of word %v is %d, outside 1..%d", e.Word, e.Cost, MaxCost)
}
