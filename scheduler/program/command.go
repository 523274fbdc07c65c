package program

import (
	"fmt"
	"slices"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// DisturbError refuses a command that would disturb a running task or endanger
// chips. The caller shows the reason; the same command may be possible under
// another timetable.
type DisturbError struct {
	Task   string // the one that relies on the register; empty when no task is concerned
	Chips  []string
	Reason string
}

func (e *DisturbError) Error() string { return e.Reason }

// Command is a checked single command.
type Command struct {
	Chips []int // its target, ascending
	words *Words
	act   bus.Action
	state Registers
}

// NewCommand checks a single command. state is what the registers hold. Errors: invalid.Errors with paths as in the
// message.
func NewCommand(a *chipmodel.Array, cmd *facetdv1.Command, state Registers) (*Command, error) {
	c := &checker{a: a}
	if a.WiringOnly {
		c.add("", "the array file describes only the wiring", "add classes, lanes and timing to send commands")
		return nil, c.m
	}
	chips, m := a.Resolve(cmd.GetTarget())
	c.m = append(c.m, m.Under("target")...)
	var act bus.Action
	switch what := cmd.GetAction().(type) {
	case *facetdv1.Command_Write:
		act = c.register(what.Write, chips)
	case *facetdv1.Command_Strobe:
		act = c.strobe(what.Strobe, chips, state)
	default:
		c.add("", "the command does nothing", "give write or strobe")
	}
	if len(c.m) > 0 {
		return nil, c.m
	}
	return &Command{Chips: chips, words: NewWords(a), act: act, state: state}, nil
}

// Write returns the register and the value that the command writes; false for a strobe.
func (c *Command) Write() (facetdv1.Register, uint16, bool) {
	return c.act.Register, c.act.Value, c.act.Writes()
}

// Compile makes the program of the command. Errors: *DisturbError where outputs would meet on a lane, *SelectError when
// no select words reach exactly the target.
func (c *Command) Compile() (*OnDemandPlan, error) {
	if err := c.outputsMeet(); err != nil {
		return nil, err
	}
	// A write is sent even where the register is known to hold the value: the operator asked for it, perhaps because
	// they doubt it.
	e := newEmitter(c.words, NewRegisters(c.words.a, Unknown))
	if _, err := e.apply(c.Chips, []bus.Action{c.act}); err != nil {
		return nil, selectErrorOf(c.words.a, err)
	}
	return finish(e, &OnDemandPlan{Chips: c.Chips}), nil
}

// register checks a write for every chip of its target.
func (c *checker) register(w *facetdv1.RegisterWrite, chips []int) bus.Action {
	r, v := w.GetRegister(), w.GetValue()
	if r <= 0 || int(r) >= chipmodel.NumRegisters {
		c.addf("write.register", "give one of column pattern, row pattern, output enable, pixel bias, output bias, "+
			"gain, offset",
			"there is no register %d", r)
		return bus.Action{}
	}
	var lacking []string
	gains := 0
	for _, chip := range chips {
		class := c.a.Chips[chip].Class
		if !class.HasRegister(r) {
			lacking = append(lacking, c.a.Chips[chip].Name)
		}
		if n := len(class.Spec.GetAmplifier().GetGains()); gains == 0 || n < gains {
			gains = n
		}
	}
	if len(lacking) > 0 {
		c.addf("write.register", "leave them out of the target", "%s: no %s register", few(lacking),
			bus.RegisterName(r))
		return bus.Action{}
	}
	most := uint32(255)
	switch r {
	case chipmodel.OutputEnable:
		most = 1
	case chipmodel.Gain:
		most = uint32(max(gains, 1) - 1)
	}
	if v > most {
		c.addf("write.value", fmt.Sprintf("use 0 to %d", most), "%d is out of range for the %s register", v,
			bus.RegisterName(r))
	}
	return bus.Write(r, uint16(v))
}

// few writes a few names of many.
func few(names []string) string {
	if len(names) > 6 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:5], ", "), len(names)-5)
	}
	return strings.Join(names, ", ")
}

// strobe checks that every chip of a target takes a strobe.
func (c *checker) strobe(s facetdv1.Strobe, chips []int, state Registers) bus.Action {
	var takes func(*chipmodel.Class) bool
	switch s {
	case chipmodel.Load, chipmodel.Share:
		takes = (*chipmodel.Class).HasMemory
	case chipmodel.Reset, chipmodel.Advance:
		takes = (*chipmodel.Class).Counts
	case chipmodel.Expose:
		c.add("strobe", "an exposure is over when its chips are deselected, as they are after a command",
			"capture frames of a view with an exposure")
		return bus.Action{}
	default:
		c.addf("strobe", "give one of load, share, reset, advance", "there is no strobe %d", s)
		return bus.Action{}
	}
	act := bus.Strobe(s)
	var deaf, idle []string
	for _, chip := range chips {
		class := c.a.Chips[chip].Class
		if !takes(class) {
			deaf = append(deaf, c.a.Chips[chip].Name)
			continue
		}
		if s != chipmodel.Share {
			continue
		}
		// An unknown pattern may close every switch: allow for the longest settling.
		pattern := func(r facetdv1.Register) uint8 {
			if v := state[chip][r]; v >= 0 {
				return uint8(v)
			}
			return 0xff
		}
		columns, rows := pattern(chipmodel.ColumnPattern), pattern(chipmodel.RowPattern)
		if columns|rows == 0 {
			idle = append(idle, c.a.Chips[chip].Name)
		}
		act.Hold = max(act.Hold, c.a.ShareHold(class, columns, rows))
	}
	if len(deaf) > 0 {
		c.addf("strobe", "leave them out of the target", "%s: these chips have nothing to %s", few(deaf),
			bus.StrobeName(s))
	}
	if len(idle) > 0 {
		c.addf("strobe", "write a pattern first", "%s: both switch patterns are 0, so a share closes no switch",
			few(idle))
	}
	return act
}

// outputsMeet refuses a write after which two outputs of a lane could be enabled. Whether a word makes both drive is
// not asked: the next command or capture may select such a word.
func (c *Command) outputsMeet() error {
	a := c.words.a
	if c.act.Register != chipmodel.OutputEnable || c.act.Value == 0 {
		return nil
	}
	driver := make([]int, len(a.Lanes))
	for i := range driver {
		driver[i] = -1
	}
	for chip := range a.Chips {
		if !slices.Contains(c.Chips, chip) && c.state[chip][chipmodel.OutputEnable] == 0 {
			continue
		}
		lane := a.Chips[chip].Lane
		if first := driver[lane]; first >= 0 {
			return &DisturbError{
				Chips: a.ChipNames([]int{first, chip}),
				Reason: fmt.Sprintf("the outputs of chips %s and %s would both be enabled on lane %s; two drivers "+
					"can damage both",
					a.Chips[first].Name, a.Chips[chip].Name, a.Lanes[lane].Name),
			}
		}
		driver[lane] = chip
	}
	return nil
}
