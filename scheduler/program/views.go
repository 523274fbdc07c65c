package program

import (
	"fmt"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// ResolveViews checks the views of a task or capture for chips of a class and returns what they do, in order and with
// every name filled in; no views mean one plain view. Errors are invalid.Errors with paths from "views".
func ResolveViews(a *chipmodel.Array, class *chipmodel.Class, views []*facetdv1.View) ([]View, error) {
	c := &checker{a: a}
	resolved := c.views("views", views, class)
	if len(c.m) > 0 {
		return nil, c.m
	}
	return resolved, nil
}

// views checks the views of a task on chips of a class; none means one plain view.
func (c *checker) views(path string, specs []*facetdv1.View, class *chipmodel.Class) []View {
	if len(specs) == 0 {
		specs = []*facetdv1.View{{}}
	}
	if len(specs) > maxViews {
		c.addf(path, fmt.Sprintf("use at most %d, or make several tasks", maxViews), "%d views are too many",
			len(specs))
		return nil
	}
	seen := map[string]int{}
	views := make([]View, len(specs))
	for i, spec := range specs {
		at, wrong := fmt.Sprintf("%s[%d]", path, i), len(c.m)
		v := c.view(at, spec, class)
		v.Name = spec.GetName()
		if v.Name == "" {
			v.Name = fmt.Sprintf("view-%d", i+1)
		} else {
			c.name(at+".name", v.Name, "view")
		}
		if first, taken := seen[v.Name]; taken {
			c.addf(at+".name", "names are unique within a task", "the name %q is taken by view %d", v.Name, first+1)
		}
		seen[v.Name] = i
		c.exposure(at, spec, &v, class, views[:i])
		c.movable(at+".movable", spec.GetMovable(), &v, class, views[:i])
		c.automatic(at+".automatic", spec, &v, class, wrong)
		views[i] = v
		bias, biased := v.pixelBias()
		if first, _ := views[0].pixelBias(); biased && class.HasMemory() && bias != first {
			c.addf(at+".trim.pixel_bias", "give all views the same, or make several tasks",
				"the bias of %d is not that of the first view, %d: all views show one load, which is made under one "+
					"bias", bias, first)
		}
	}
	return views
}

func (c *checker) view(path string, spec *facetdv1.View, class *chipmodel.Class) View {
	var v View
	rows := c.bin(path+".binning.rows", spec.GetBinning().GetRows())
	columns := c.bin(path+".binning.columns", spec.GetBinning().GetColumns())
	binned := rows > 1 || columns > 1
	v.BinRows, v.BinColumns = rows, columns
	blocks := bus.Patterns{Columns: analog.BlockPattern(columns), Rows: analog.BlockPattern(rows)}
	switch {
	case class.HasMemory():
		v.Shares = c.shares(path+".shares", spec.GetShares())
		v.Shares = append(v.Shares, c.smoothing(path+".smoothing_steps", spec.GetSmoothingSteps())...)
		if binned {
			v.Shares = append(v.Shares, blocks)
		}
	case class.HasPatterns():
		c.noMemory(path, spec, class, "their switches act before the light is sensed, so only binning is possible")
		v.Patterns = blocks
	default:
		c.noMemory(path, spec, class, "they have no switches")
		if binned {
			c.addf(path+".binning", "leave it out, and read with row_step and column_step for fewer pixels",
				"chips of class %q cannot bin: they have no switches (%s)", class.Name, class.Parts())
		}
	}
	v.Trim = c.trim(path+".trim", spec.GetTrim(), class)
	w, m := chipmodel.NewWindow(spec.GetWindow(), class, rows, columns)
	c.m = append(c.m, m.Under(path+".window")...)
	v.Window = w
	return v
}

// pixelBias is the value of the pixel bias register, and whether there is one.
func (v *View) pixelBias() (value uint16, ok bool) {
	for _, r := range v.Trim {
		if r.Register == chipmodel.PixelBias {
			return r.Value, true
		}
	}
	return 0, false
}

// noMemory reports what only chips with memory can do.
func (c *checker) noMemory(path string, spec *facetdv1.View, class *chipmodel.Class, reason string) {
	if len(spec.GetShares()) > 0 {
		c.addf(path+".shares", "leave them out", "chips of class %q cannot share: %s (%s)", class.Name, reason,
			class.Parts())
	}
	if spec.GetSmoothingSteps() > 0 {
		c.addf(path+".smoothing_steps", "leave it out", "chips of class %q cannot smooth: %s (%s)", class.Name, reason,
			class.Parts())
	}
}

// bin checks the side of a block; 0 means 1.
func (c *checker) bin(path string, n uint32) int {
	switch n {
	case 0:
		return 1
	case 1, 2, 4, 8:
		return int(n)
	}
	c.addf(path, "use 1, 2, 4 or 8: patterns repeat every 8 cells", "a block of %d is not possible", n)
	return 1
}

// Alternating pairs: cells 0-1, 2-3, ... and then 1-2, 3-4, ....
const (
	evenPairs = 0x55
	oddPairs  = 0xaa
)

func (c *checker) smoothing(path string, steps uint32) []bus.Patterns {
	if steps > maxSmoothing {
		c.addf(path, fmt.Sprintf("use at most %d", maxSmoothing), "%d steps are too many", steps)
		return nil
	}
	var shares []bus.Patterns
	for i := range steps {
		p := uint8(evenPairs)
		if i%2 == 1 {
			p = oddPairs
		}
		shares = append(shares, bus.Patterns{Columns: p, Rows: p})
	}
	return shares
}

func (c *checker) shares(path string, specs []*facetdv1.Share) []bus.Patterns {
	if len(specs) > maxShares {
		c.addf(path, fmt.Sprintf("use at most %d", maxShares), "%d shares are too many", len(specs))
		return nil
	}
	var shares []bus.Patterns
	for i, s := range specs {
		at := fmt.Sprintf("%s[%d]", path, i)
		before := len(c.m)
		p := bus.Patterns{
			Columns: c.pattern(at+".columns", s.GetColumns()),
			Rows:    c.pattern(at+".rows", s.GetRows()),
		}
		if p == (bus.Patterns{}) && len(c.m) == before {
			c.add(at, "the share closes no switch", `give columns or rows, such as "10101010"`)
		}
		shares = append(shares, p)
	}
	return shares
}

// pattern reads eight characters, bit 0 first; empty is no switch.
func (c *checker) pattern(path, s string) uint8 {
	if s == "" {
		return 0
	}
	p, err := analog.ParsePattern(s)
	if err != nil {
		c.addf(path, `write eight characters 0 or 1, bit 0 first, such as "10101010"`, "%q is not a switch pattern", s)
	}
	return p
}

// trim returns the values of all registers of biases and amplifier that the chips have.
func (c *checker) trim(path string, t *facetdv1.TrimSettings, class *chipmodel.Class) []bus.RegisterValue {
	values, m := class.Trim(t)
	c.m = append(c.m, m.Under(path)...)
	for _, rv := range values {
		if rv.Register == chipmodel.OutputBias {
			c.slow(path+".output_bias", class, rv.Value)
		}
	}
	return values
}

// slow reports an output bias that leaves so little bandwidth that no bus waits for it.
func (c *checker) slow(path string, class *chipmodel.Class, bias uint16) {
	for i := range c.a.Chips {
		if c.a.Chips[i].Class != class {
			continue
		}
		if needed := c.a.BiasedSettle(i, bias); needed > bus.MaxSettle && needed > c.a.LaneSettle(i) {
			c.addf(path, "use a bias nearer to nominal", "with a bias of %d chip %s needs %v to settle after each "+
				"change; a readout may give it at most %v", bias, c.a.Chips[i].Name, needed, bus.MaxSettle)
			return
		}
	}
}

// settle is how long the lanes of some chips need to settle in this view at the lowest bias that their outputs can
// have, where that is more than at nominal output bias; 0 otherwise.
func (v *View) settle(a *chipmodel.Array, chips []int) time.Duration {
	var nominal, longest time.Duration
	for _, r := range v.Trim {
		if r.Register != chipmodel.OutputBias {
			continue
		}
		for _, c := range chips {
			nominal = max(nominal, a.LaneSettle(c))
			longest = max(longest, a.BiasedSettle(c, v.slow))
		}
	}
	if longest == nominal {
		return 0
	}
	return longest
}
