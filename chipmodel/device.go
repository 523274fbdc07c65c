package chipmodel

import (
	"fmt"
	"maps"
	"math/bits"
	"slices"
	"strconv"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// Pin is a pin of a board by its number: 32 for each port before its own, and that within the port.
type Pin uint8

// NoPin stands where nothing is wired: no port has it.
const NoPin Pin = 255

// Pins of a port, and how many pins can be named: H31 is NoPin and cannot.
const (
	portPins = 32
	maxPins  = int(NoPin)
)

// Numbers of pins of the register bus, and of those of one address.
const (
	NumberPins  = 3
	ValuePins   = 8
	AddressPins = 12 // as many as MaxLatticeSide takes
)

// pinForm is how a pin is written.
const pinForm = "write a port and a number, A0 to A31, B0 and so on up to H30"

// String is the pin as it is written: B3.
func (p Pin) String() string {
	if p == NoPin {
		return "-"
	}
	return string(rune('A'+p/portPins)) + strconv.Itoa(int(p%portPins))
}

// ParsePin reads a pin as it is written.
func ParsePin(name string) (Pin, error) {
	wrong := fmt.Errorf("%q is no pin: %s", name, pinForm)
	if len(name) < 2 || len(name) > 3 || name[0] < 'A' || name[0] > 'H' {
		return NoPin, wrong
	}
	n, err := strconv.ParseUint(name[1:], 10, 8)
	if err != nil || n >= portPins || strconv.Itoa(int(n)) != name[1:] {
		return NoPin, wrong
	}
	number := int(name[0]-'A')*portPins + int(n)
	if number >= maxPins {
		return NoPin, wrong
	}
	return Pin(number), nil
}

// Device says which pins of a board drive what of an array. What is not wired is NoPin, or an empty list.
type Device struct {
	Board   string
	Selects []Pin // by line
	// Strobes are by the schema's number; the first is of none.
	Strobes       [int(Expose) + 1]Pin
	Number, Value []Pin // of the register bus, lowest bit first
	Write         Pin
	Row, Column   []Pin // of the address, lowest bit first
	Clock         Pin
	Converters    []int // by lane
	Loopback      map[Pin]Pin
	// Mark is the output that marks when light is sampled; its pin is NoPin where there is none.
	Mark   Mark
	Inputs []Input // from the rest of the robot
}

// Use is an output of a device with what it serves.
type Use struct {
	Pin    Pin
	Serves string // such as "select x0" or "strobe load"
	Path   string // in the array file
}

// strobeNames are those of the fields of StrobePins, by the strobe.
var strobeNames = [...]string{"", "load", "share", "reset", "advance", "expose"}

// Outputs are the pins that a device drives, in the order of the file.
func (d *Device) Outputs(lines []string) []Use {
	var out []Use
	add := func(p Pin, path, serves string) {
		if p != NoPin {
			out = append(out, Use{p, serves, path})
		}
	}
	list := func(pins []Pin, path, serves string) {
		for i, p := range pins {
			add(p, invalid.Index(path, i), fmt.Sprintf("%s %d", serves, i))
		}
	}
	for i, p := range d.Selects {
		if i < len(lines) {
			add(p, invalid.Index("device.selects", i), "select "+lines[i])
		}
	}
	for i, p := range d.Strobes {
		add(p, "device.strobes."+strobeNames[i], "strobe "+strobeNames[i])
	}
	list(d.Number, "device.registers.number", "register number")
	list(d.Value, "device.registers.value", "register value")
	add(d.Write, "device.registers.write", "register write")
	list(d.Row, "device.address.row", "row")
	list(d.Column, "device.address.column", "column")
	add(d.Clock, "device.clock", "clock")
	add(d.Mark.Pin, "device.mark.pin", "mark")
	return out
}

// device checks the section of the device, once lines, lanes and chips are known.
func (b *builder) device() {
	msg := b.msg.GetDevice()
	if msg == nil {
		return
	}
	d := &Device{Board: msg.GetBoard(), Loopback: map[Pin]Pin{}, Mark: b.mark(msg.GetMark())}
	if msg.GetBoard() != "" && invalid.BadName(msg.GetBoard()) {
		b.m.Add("device.board", "the name "+quote(msg.GetBoard())+" "+invalid.BadNameMessage, invalid.BadNameHint)
	}
	s, r := msg.GetStrobes(), msg.GetRegisters()
	if n := len(msg.GetSelects()); n != len(b.a.Lines) {
		b.m.Add("device.selects", fmt.Sprintf("%d pins are given for %d select lines", n, len(b.a.Lines)),
			"give one for each line of select_lines, in that order")
	}
	d.Selects = b.pins("device.selects", msg.GetSelects(), MaxLines)
	for i, name := range []string{"", s.GetLoad(), s.GetShare(), s.GetReset_(), s.GetAdvance(), s.GetExpose()} {
		d.Strobes[i] = b.pin("device.strobes."+strobeNames[i], name)
	}
	d.Number = b.pins("device.registers.number", r.GetNumber(), NumberPins)
	d.Value = b.pins("device.registers.value", r.GetValue(), ValuePins)
	d.Write = b.pin("device.registers.write", r.GetWrite())
	d.Row = b.pins("device.address.row", msg.GetAddress().GetRow(), AddressPins)
	d.Column = b.pins("device.address.column", msg.GetAddress().GetColumn(), AddressPins)
	d.Clock = b.pin("device.clock", msg.GetClock())
	if !b.a.WiringOnly {
		b.converters(d, msg.GetLanes())
		b.needed(d)
	}
	b.once(d, msg.GetLoopback())
	b.inputs(d, msg.GetInputs())
	b.a.Device = d
}

// pin reads a pin that may be left out.
func (b *builder) pin(path, name string) Pin {
	if name == "" {
		return NoPin
	}
	p, err := ParsePin(name)
	if err != nil {
		b.m.Add(path, quote(name)+" is no pin", pinForm)
	}
	return p
}

func (b *builder) pins(path string, names []string, most int) []Pin {
	if len(names) > most {
		b.m.Add(path, fmt.Sprintf("%d pins are too many", len(names)), fmt.Sprintf("at most %d", most))
		names = names[:most]
	}
	var out []Pin
	for i, name := range names {
		if name == "" {
			b.m.Add(invalid.Index(path, i), invalid.Missing, pinForm)
		}
		out = append(out, b.pin(invalid.Index(path, i), name))
	}
	return out
}

// converters finds the converter of every lane.
func (b *builder) converters(d *Device, given []*facetdv1.LaneConverter) {
	const unset = -1
	d.Converters = slices.Repeat([]int{unset}, len(b.a.Lanes))
	by := map[uint32]string{}
	for i, l := range given {
		path := invalid.Index("device.lanes", i)
		lane := b.laneOf(path+".lane", l.GetLane())
		if lane < 0 {
			continue
		}
		other, taken := by[l.GetConverter()]
		switch {
		case d.Converters[lane] != unset:
			b.m.Add(path+".lane", "lane "+quote(l.GetLane())+" is given twice", "name each lane once")
		case taken:
			b.m.Add(path+".converter", fmt.Sprintf("converter %d serves lane %s already", l.GetConverter(),
				quote(other)), "give each lane a converter of its own")
		case l.GetConverter() >= MaxLanes:
			b.m.Add(path+".converter", fmt.Sprintf("there is no converter %d", l.GetConverter()),
				"converters count from 0")
		default:
			by[l.GetConverter()], d.Converters[lane] = l.GetLane(), int(l.GetConverter())
		}
	}
	for i, c := range d.Converters {
		if c == unset {
			b.m.Add("device.lanes", "lane "+quote(b.a.Lanes[i].Name)+" has no converter",
				"give every lane the number of its converter")
		}
	}
}

// needed reports pins that are missing although chips of the array need them.
func (b *builder) needed(d *Device) {
	var rows, columns int
	missing := map[string]string{} // by path, the class that needs it
	need := func(is bool, path, class string) {
		if _, told := missing[path]; !is && !told {
			missing[path] = class
		}
	}
	for _, c := range b.a.Classes {
		need(len(d.Number) == NumberPins, "device.registers.number", c.Name)
		need(len(d.Value) == ValuePins, "device.registers.value", c.Name)
		need(d.Write != NoPin, "device.registers.write", c.Name)
		if c.HasMemory() {
			need(d.Strobes[Load] != NoPin, "device.strobes.load", c.Name)
			need(d.Strobes[Share] != NoPin, "device.strobes.share", c.Name)
		}
		if c.HasShutter() {
			need(d.Strobes[Expose] != NoPin, "device.strobes.expose", c.Name)
		}
		if c.Counts() {
			need(d.Strobes[Reset] != NoPin, "device.strobes.reset", c.Name)
			need(d.Clock != NoPin, "device.clock", c.Name)
			continue
		}
		rows, columns = max(rows, c.Rows), max(columns, c.Columns)
	}
	for _, path := range slices.Sorted(maps.Keys(missing)) {
		hint := pinForm
		switch path {
		case "device.registers.number":
			hint = fmt.Sprintf("give %d pins, lowest bit first", NumberPins)
		case "device.registers.value":
			hint = fmt.Sprintf("give %d pins, lowest bit first", ValuePins)
		}
		b.m.Add(path, "class "+quote(missing[path])+" needs it", hint)
	}
	for _, axis := range []struct {
		path  string
		pins  []Pin
		cells int
	}{{"device.address.row", d.Row, rows}, {"device.address.column", d.Column, columns}} {
		if n := bits.Len(uint(max(axis.cells-1, 0))); len(axis.pins) < n {
			b.m.Add(axis.path, fmt.Sprintf("%d pins cannot address %d of them", len(axis.pins), axis.cells),
				fmt.Sprintf("give %d pins, lowest bit first", n))
		}
	}
}

// once reports pins that serve twice, and finds which output is wired to which input for the self-test.
func (b *builder) once(d *Device, loops []*facetdv1.Loopback) {
	used := map[Pin]Use{}
	for _, u := range d.Outputs(b.a.Lines) {
		if other, twice := used[u.Pin]; twice {
			b.m.Add(u.Path, fmt.Sprintf("pin %v serves %s already", u.Pin, other.Serves), "no pin serves twice")
			continue
		}
		used[u.Pin] = u
	}
	inputs := map[Pin]bool{}
	for i, l := range loops {
		path := invalid.Index("device.loopback", i)
		in := b.pin(path+".input", l.GetInput())
		switch other, output := used[in]; {
		case l.GetInput() == "":
			b.m.Add(path+".input", invalid.Missing, pinForm)
		case output:
			b.m.Add(path+".input", fmt.Sprintf("pin %v serves %s", in, other.Serves), "give an input of its own")
		case in != NoPin && inputs[in]:
			b.m.Add(path+".input", fmt.Sprintf("input %v is given twice", in), "list all of its outputs together")
		}
		inputs[in] = true
		for k, name := range l.GetOutputs() {
			at := invalid.Index(path+".outputs", k)
			p := b.pin(at, name)
			if p == NoPin {
				continue
			}
			if _, output := used[p]; !output {
				b.m.Add(at, fmt.Sprintf("pin %v serves nothing of the array", p), "name outputs of this section")
			}
			if _, twice := d.Loopback[p]; twice {
				b.m.Add(at, fmt.Sprintf("pin %v is wired to an input already", p), "wire each output to one input")
			}
			d.Loopback[p] = in
		}
	}
}
