// Package chipparts names the parts that a chip class is made of, for whoever shows a
// class to people.
//
// It stands in the api room because the clients and the daemon must use the same names.
package chipparts

import (
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Names are the parts of a class: the arrangement of its lattice, "linear" for linear
// pixels, then memory, pixel switches, counter, regulator, pixel bias, output bias and
// amplifier, as far as the class has them.
func Names(c *facetdv1.ChipClass) []string {
	names := []string{"square"}
	if c.GetLattice().GetArrangement() == facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL {
		names[0] = "hexagonal"
	}
	for _, part := range []struct {
		name  string
		there bool
	}{
		{"linear", c.GetLinear() != nil},
		{"memory", c.GetMemory() != nil},
		{"pixel switches", c.GetPixelSwitches() != nil},
		{"counter", c.GetCounter() != nil},
		{"regulator", c.GetRegulator() != nil},
		{"pixel bias", c.GetPixelBias() != nil},
		{"output bias", c.GetOutputBias() != nil},
		{"amplifier", c.GetAmplifier() != nil},
	} {
		if part.there {
			names = append(names, part.name)
		}
	}
	return names
}

// Text is the names in one line, such as "hexagonal, memory, counter, amplifier".
func Text(c *facetdv1.ChipClass) string { return strings.Join(Names(c), ", ") }
