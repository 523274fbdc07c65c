package chipmodel

import (
	"fmt"
	"strings"
	"time"

	"facetd.example/api/invalid"
)

// Board is what a board can do, as its description says.
type Board struct {
	Name string `yaml:"name"`
	// Tick of its clock, the longest time to arm one pin event, and the longest from a stop to all lines inactive.
	Tick    time.Duration `yaml:"tick"`
	Arm     time.Duration `yaml:"arm"`
	Release time.Duration `yaml:"release"`
	// Outputs and Inputs are pins and ranges of them within a port, such as A0-A15. Inputs can measure edges.
	Outputs    []string         `yaml:"outputs"`
	Inputs     []string         `yaml:"inputs"`
	Converters []BoardConverter `yaml:"converters"`

	outputs, inputs map[Pin]bool
}

// BoardConverter is a converter of a board.
type BoardConverter struct {
	Bits int `yaml:"bits"`
	// Conversion is the shortest time from one sample to the next.
	Conversion time.Duration `yaml:"conversion"`
}

// Validate finds everything that is wrong with a description of a board, and reads its pins.
func (d *Board) Validate() invalid.Errors {
	var m invalid.Errors
	if d.Name == "" || invalid.BadName(d.Name) {
		m.Add("name", "the board has no name that can be shown", "give it one")
	}
	for _, f := range []struct {
		path string
		is   time.Duration
	}{{"tick", d.Tick}, {"arm", d.Arm}, {"release", d.Release}} {
		if f.is <= 0 || f.is > time.Second {
			m.Add(f.path, fmt.Sprintf("%v is not possible", f.is), "give a time above zero and up to 1s")
		}
	}
	d.outputs, d.inputs = pinRanges(&m, "outputs", d.Outputs), pinRanges(&m, "inputs", d.Inputs)
	for i, c := range d.Converters {
		if c.Bits < 4 || c.Bits > 16 || c.Conversion <= 0 {
			m.Add(invalid.Index("converters", i), fmt.Sprintf("%d bits in %v are not possible", c.Bits, c.Conversion),
				"give 4 to 16 bits, and a time above zero")
		}
	}
	return m
}

// pinRanges reads pins and ranges of them.
func pinRanges(m *invalid.Errors, path string, given []string) map[Pin]bool {
	out := map[Pin]bool{}
	for i, text := range given {
		low, high, ranged := strings.Cut(text, "-")
		first, err := ParsePin(low)
		last := first
		if ranged && err == nil {
			last, err = ParsePin(high)
		}
		if err != nil || last < first || last/portPins != first/portPins {
			m.Add(invalid.Index(path, i), quote(text)+" is no pin and no range of them", "write A3, or A0-A15")
			continue
		}
		for p := int(first); p <= int(last); p++ {
			out[Pin(p)] = true
		}
	}
	return out
}

// Fits finds why a board, whose description was found good, cannot drive an array as the array's device section says.
// The places are those of the array file.
func (d *Board) Fits(a *Array) invalid.Errors {
	var m invalid.Errors
	if a.Device == nil {
		m.Add("device", invalid.Missing, "say which pins of the board drive what")
		return m
	}
	if b := a.Device.Board; b != "" && b != d.Name {
		m.Add("device.board", fmt.Sprintf("the pins are those of %s, and the board is %s", quote(b), quote(d.Name)),
			"take the description of that board, or wire for this one")
	}
	for _, u := range a.Device.Outputs(a.Lines) {
		if !d.outputs[u.Pin] {
			m.Add(u.Path, fmt.Sprintf("board %s has no output %v, for %s", quote(d.Name), u.Pin, u.Serves),
				"it has "+strings.Join(d.Outputs, ", "))
		}
	}
	for i, l := range a.Message.GetDevice().GetLoopback() {
		if p, err := ParsePin(l.GetInput()); err == nil && !d.inputs[p] {
			m.Add(invalid.Index("device.loopback", i)+".input", fmt.Sprintf("board %s has no input %v that measures "+
				"edges", quote(d.Name), p), "it has "+strings.Join(d.Inputs, ", "))
		}
	}
	for i, in := range a.Device.Inputs {
		if !d.inputs[in.Pin] {
			m.Add(invalid.Index("device.inputs", i)+".pin", fmt.Sprintf("board %s has no input %v that measures edges",
				quote(d.Name), in.Pin), "it has "+strings.Join(d.Inputs, ", "))
		}
	}
	if a.WiringOnly {
		return m
	}
	d.converters(&m, a)
	d.times(&m, a)
	return m
}

// converters holds the lanes against the converters.
func (d *Board) converters(m *invalid.Errors, a *Array) {
	for i, l := range a.Message.GetDevice().GetLanes() {
		path, n := invalid.Index("device.lanes", i)+".converter", int(l.GetConverter())
		if n >= len(d.Converters) {
			m.Add(path, fmt.Sprintf("board %s has no converter %d", quote(d.Name), n),
				fmt.Sprintf("it has %d, counted from 0", len(d.Converters)))
			continue
		}
		for k := range a.Lanes {
			lane, c := &a.Lanes[k], d.Converters[n]
			switch {
			case lane.Name != l.GetLane():
			case c.Bits != lane.Bits:
				m.Add(path, fmt.Sprintf("converter %d has %d bits, and lane %s is described with %d", n, c.Bits,
					quote(lane.Name), lane.Bits), "describe the lane with the bits of its converter")
			case c.Conversion > lane.Conversion:
				m.Add(path, fmt.Sprintf("converter %d takes %v from sample to sample, and lane %s is described with %v",
					n, c.Conversion, quote(lane.Name), lane.Conversion), "describe the lane with that time")
			}
		}
	}
}

// times holds the array's times against the board's.
func (d *Board) times(m *invalid.Errors, a *Array) {
	if limit := a.Timing.ReleaseLimit; d.Release > limit {
		m.Add("timing.release_limit", fmt.Sprintf("board %s needs %v to make every line inactive, and the limit is %v",
			quote(d.Name), d.Release, limit), "take a faster board; a longer limit is for who knows the chips")
	}
	on, err := a.OnGrain(d.Tick)
	if err != nil {
		m.Add("timing.release_limit", err.Error(), "")
		return
	}
	for i := range on.Chips {
		w := Window{Rows: 2, Columns: 1, RowStep: 1, ColumnStep: 1}
		row := on.ScanTime([]int{i}, w, on.LaneSettle(i)).RowInterval
		if class := on.Chips[i].Class; class.Rows > 1 && rowEvents*d.Arm > row {
			m.Add(invalid.Index("chips", i), fmt.Sprintf("rows of one pixel follow each other in %v and take %d pin "+
				"events, for which board %s needs %v", row, rowEvents, quote(d.Name), rowEvents*d.Arm),
				"take a faster board, or a longer readout.settle")
			return
		}
	}
}

// rowEvents are the pin events of a row that is read: its address, that of its first column, and its samples.
const rowEvents = 3
