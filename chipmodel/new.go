package chipmodel

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// New checks a described array and makes it ready for use. It reports every
// error at once; the array is nil when there is any. The message is copied.
func New(described *facetdv1.Array) (*Array, invalid.Errors) {
	if m := tooMany(described); len(m) > 0 {
		return nil, m
	}
	msg := proto.CloneOf(described)
	b := &builder{msg: msg, a: &Array{
		Name: msg.GetName(), Message: msg,
		byName: map[string]int{}, lines: map[string]int{},
	}}
	if strings.ContainsFunc(msg.GetName(), func(r rune) bool { return !unicode.IsGraphic(r) }) {
		b.m.Add("name", "the name "+quote(msg.GetName())+" cannot be shown on one line",
			"leave out line breaks and control characters")
	}
	b.description("description", msg.GetDescription())
	b.a.WiringOnly = len(msg.GetClasses()) == 0 && len(msg.GetLanes()) == 0 && msg.GetTiming() == nil
	b.selectLines()
	if lux := msg.LightLux; lux != nil && !(*lux >= 1e-9 && *lux <= 1e9) {
		b.m.Add("light_lux", fmt.Sprintf("%g lux is out of range", *lux), "use 1e-09 to 1e+09")
	}
	if !b.a.WiringOnly {
		b.timing()
		b.lanes()
		b.classes()
	}
	b.chips()
	b.apart()
	b.groups()
	b.device()
	if len(b.m) > 0 {
		return nil, b.m
	}
	b.finish()
	b.readable()
	if len(b.m) > 0 {
		return nil, b.m
	}
	return b.a, nil
}

// tooMany finds lists that are too long, before anything is made of them.
func tooMany(a *facetdv1.Array) (m invalid.Errors) {
	for _, l := range []struct {
		path    string
		n, most int
	}{{"lanes", len(a.GetLanes()), MaxLanes}, {"classes", len(a.GetClasses()), MaxClasses},
		{"chips", len(a.GetChips()), MaxChips}, {"groups", len(a.GetGroups()), MaxGroups}} {
		if l.n > l.most {
			m.Add(l.path, fmt.Sprintf("%d %s are too many", l.n, l.path), fmt.Sprintf("at most %d", l.most))
		}
	}
	return m
}

// builder gathers the array and its errors.
type builder struct {
	msg *facetdv1.Array
	a   *Array
	m   invalid.Errors
}

// name checks a name and reports whether it is new among seen.
func (b *builder) name(path, name string, seen map[string]int, i int, what string) bool {
	switch {
	case name == "":
		b.m.Add(path, "the "+what+" has no name", "give it one")
		return false
	case invalid.BadName(name):
		b.m.Add(path, "the name "+quote(name)+" "+invalid.BadNameMessage, invalid.BadNameHint)
		return false
	}
	if first, taken := seen[name]; taken {
		b.m.Add(path, fmt.Sprintf("the name %q is taken by %s %d", name, what, first+1), "names are unique")
		return false
	}
	seen[name] = i
	return true
}

// description checks a text that may have several lines.
func (b *builder) description(path, text string) {
	if strings.ContainsFunc(text, invalid.UnprintableBlock) {
		b.m.Add(path, "the text has characters that control a terminal or the direction of writing", "leave them out")
	}
}

func (b *builder) selectLines() {
	names := b.msg.GetSelectLines()
	switch {
	case len(names) == 0:
		b.m.Add("select_lines", "the array has no select lines", "list their names in wiring order")
	case len(names) > MaxLines:
		b.m.Add("select_lines", fmt.Sprintf("%d select lines are too many", len(names)),
			fmt.Sprintf("at most %d", MaxLines))
		names = names[:MaxLines]
	}
	for i, name := range names {
		b.name(invalid.Index("select_lines", i), name, b.a.lines, i, "select line")
	}
	b.a.Lines = names
}

func (b *builder) timing() {
	t := b.msg.GetTiming()
	if t == nil {
		b.m.Add("timing", "the bus timing is missing", "give dead_time, select_setup, write, strobe and release_limit")
		return
	}
	b.a.Timing = Timing{
		DeadTime:     b.positive("timing.dead_time", t.GetDeadTime()),
		SelectSetup:  b.positive("timing.select_setup", t.GetSelectSetup()),
		Write:        b.positive("timing.write", t.GetWrite()),
		Strobe:       b.positive("timing.strobe", t.GetStrobe()),
		ReleaseLimit: b.positive("timing.release_limit", t.GetReleaseLimit()),
	}
}

const maxDuration = time.Hour

// positive returns a duration that must be given, above zero and under an hour.
func (b *builder) positive(path string, d *durationpb.Duration) time.Duration {
	const hint = `give a time above zero, such as "500ns"`
	switch {
	case d == nil:
		b.m.Add(path, invalid.Missing, hint)
		return 0
	case d.GetSeconds() == 0 && d.GetNanos() == 0:
		b.m.Add(path, "is zero", hint)
		return 0
	}
	return b.duration(path, d)
}

// duration returns an optional duration, zero when unset.
func (b *builder) duration(path string, d *durationpb.Duration) time.Duration {
	switch {
	case d == nil:
		return 0
	case d.CheckValid() != nil || d.AsDuration() > maxDuration:
		b.m.Add(path, "is longer than an hour", "give a time that the bus can keep")
		return 0
	case d.AsDuration() < 0:
		b.m.Add(path, "is negative: "+d.AsDuration().String(), "give a time of zero or more")
		return 0
	}
	return d.AsDuration()
}

// within checks that a number lies in [low, high].
func (b *builder) within(path string, v, low, high float64, unit string) {
	switch {
	case v >= low && v <= high:
	case v == 0: // a number that was left out is 0 as well
		b.m.Add(path, invalid.Missing, strings.TrimSpace(fmt.Sprintf("give %g to %g %s", low, high, unit)))
	default:
		b.m.Add(path, fmt.Sprintf("%g %s is out of range", v, unit), fmt.Sprintf("use %g to %g", low, high))
	}
}

// given checks a number that may be 0 but must be given.
func (b *builder) given(path string, v *float64, low, high float64, unit string) {
	if v == nil {
		b.m.Add(path, invalid.Missing, strings.TrimSpace(fmt.Sprintf("give %g to %g %s", low, high, unit)))
		return
	}
	b.within(path, *v, low, high, unit)
}

func (b *builder) lanes() {
	seen := map[string]int{}
	if len(b.msg.GetLanes()) == 0 {
		b.m.Add("lanes", "the array has no lanes", "describe at least one, with its converter")
	}
	for i, l := range b.msg.GetLanes() {
		path := invalid.Index("lanes", i)
		b.name(path+".name", l.GetName(), seen, i, "lane")
		b.within(path+".line_capacitance_pf", l.GetLineCapacitancePf(), 0, 1e6, "pF")
		b.within(path+".chip_capacitance_pf", l.GetChipCapacitancePf(), 0, 1e6, "pF")
		b.converter(path+".converter", l.GetConverter())
		b.a.Lanes = append(b.a.Lanes, Lane{
			Name: l.GetName(), Spec: l,
			CapacitanceFarads: l.GetLineCapacitancePf() * 1e-12,
			Conversion:        l.GetConverter().GetConversion().AsDuration(),
			SampleAndHold:     l.GetConverter().GetSampleAndHold(),
			Bits:              int(l.GetConverter().GetBits()),
		})
	}
}

func (b *builder) converter(path string, c *facetdv1.Converter) {
	if c == nil {
		b.m.Add(path, "the lane has no converter", "give bits, low_volts, high_volts and conversion")
		return
	}
	b.within(path+".bits", float64(c.GetBits()), 4, 16, "bits")
	if c.GetHighVolts() == 0 && c.GetLowVolts() == 0 {
		b.m.Add(path+".high_volts", invalid.Missing, "give the range of the input, low_volts and high_volts")
	} else if !(c.GetHighVolts() > c.GetLowVolts()) || math.IsInf(c.GetHighVolts()-c.GetLowVolts(), 0) {
		b.m.Add(path+".high_volts", fmt.Sprintf("%g V is not above low_volts, %g V", c.GetHighVolts(), c.GetLowVolts()),
			"give the range of the input")
	}
	b.positive(path+".conversion", c.GetConversion())
	b.within(path+".noise_volts", c.GetNoiseVolts(), 0, 10, "V")
	b.within(path+".offset_volts", c.GetOffsetVolts(), -10, 10, "V")
	b.within(path+".gain_error", c.GetGainError(), -0.5, 0.5, "")
	b.within(path+".integral_nonlinearity_steps", c.GetIntegralNonlinearitySteps(), -1024, 1024, "steps")
	b.within(path+".differential_nonlinearity_steps", c.GetDifferentialNonlinearitySteps(), 0, 16, "steps")
}

func (b *builder) chips() {
	if len(b.msg.GetChips()) == 0 {
		b.m.Add("chips", "the array has no chips", "list at least one, with name and selects")
	}
	for i, c := range b.msg.GetChips() {
		path := invalid.Index("chips", i)
		b.name(path+".name", c.GetName(), b.a.byName, i, "chip")
		chip := Chip{Name: c.GetName(), Index: i, Lane: -1, Spec: c}
		chip.Selects, chip.Wires = b.selects(path+".selects", c.GetSelects())
		if b.a.WiringOnly {
			if c.GetClass() != "" || c.GetLane() != "" {
				b.m.Add(path, "names a class or lane, but the file describes none",
					"add classes, lanes and timing, or leave them out here")
			}
		} else {
			chip.Class = b.classOf(path+".class", c.GetClass())
			chip.Lane = b.laneOf(path+".lane", c.GetLane())
			b.mount(path+".mount", c.GetMount())
			b.lens(path+".lens", c, chip.Class)
		}
		b.a.Chips = append(b.a.Chips, chip)
	}
	b.mounts()
	b.capacitances()
}

func (b *builder) selects(path string, names []string) ([]int, LineSet) {
	if len(names) == 0 {
		b.m.Add(path, "the chip is wired to no select line",
			"a chip without select inputs would listen always; name the line of each input")
	}
	var lines []int
	var wires LineSet
	for i, name := range names {
		line := b.a.Line(name)
		switch {
		case line < 0:
			b.m.Add(invalid.Index(path, i), "no select line is called "+quote(name),
				invalid.Closest(name, b.a.Lines, "select line"))
			continue
		case wires.Has(line):
			b.m.Add(invalid.Index(path, i), "line "+quote(name)+" is wired to two inputs of this chip",
				"wire each input to its own line, or list fewer inputs")
			continue
		}
		lines = append(lines, line)
		wires |= 1 << uint(line)
	}
	return lines, wires
}

// unknown adds the error about a name that is not one of those known, or not given.
func (b *builder) unknown(path, name string, known []string, what string) {
	message := "no " + what + " is called " + quote(name)
	if name == "" {
		message = invalid.Missing
	}
	b.m.Add(path, message, invalid.Closest(name, known, what))
}

func (b *builder) classOf(path, name string) *Class {
	var known []string
	for _, c := range b.a.Classes {
		if c.Name == name {
			return c
		}
		known = append(known, c.Name)
	}
	b.unknown(path, name, known, "class")
	return nil
}

func (b *builder) laneOf(path, name string) int {
	var known []string
	for i, l := range b.a.Lanes {
		if l.Name == name {
			return i
		}
		known = append(known, l.Name)
	}
	b.unknown(path, name, known, "lane")
	return -1
}

func (b *builder) mount(path string, m *facetdv1.Mount) {
	b.within(path+".yaw_deg", m.GetYawDeg(), -360, 360, "degrees")
	b.within(path+".pitch_deg", m.GetPitchDeg(), -90, 90, "degrees")
	b.within(path+".roll_deg", m.GetRollDeg(), -360, 360, "degrees")
	b.within(path+".x_m", m.GetXM(), -100, 100, "m")
	b.within(path+".y_m", m.GetYM(), -100, 100, "m")
	b.within(path+".z_m", m.GetZM(), -100, 100, "m")
}

// mounts reports chips without a mount where others have one: a picture of everything that they see, in a panorama or
// on the page, needs to know where each of them looks.
func (b *builder) mounts() {
	any := slices.ContainsFunc(b.msg.GetChips(), func(c *facetdv1.Chip) bool { return c.GetMount() != nil })
	for i, c := range b.msg.GetChips() {
		if any && c.GetMount() == nil {
			b.m.Add(invalid.Index("chips", i)+".mount", invalid.Missing,
				"give yaw_deg, pitch_deg and roll_deg, as of the other chips; {} is straight ahead")
		}
	}
}

// capacitances reports lanes without a capacitance per chip, where the settling of some chip is computed from it.
func (b *builder) capacitances() {
	missing := map[int]bool{}
	for i := range b.a.Chips {
		c := &b.a.Chips[i]
		if c.Lane < 0 || c.Class == nil || c.Class.Spec.GetReadout().GetSettle() != nil || missing[c.Lane] {
			continue
		}
		if b.a.Lanes[c.Lane].Spec.ChipCapacitancePf == nil {
			missing[c.Lane] = true
			b.m.Add(invalid.Index("lanes", c.Lane)+".chip_capacitance_pf", invalid.Missing, fmt.Sprintf(
				"give it in pF: the settling of class %q is computed from it; or give that class a measured "+
					"readout.settle", c.Class.Name))
		}
	}
}

// readable reports classes of which a whole chip takes longer to read than anything on a bus
// may take: sums of such times would not fit into a time.Duration. It looks at a finished
// array.
func (b *builder) readable() {
	long := map[*Class]bool{}
	for i := range b.a.Chips {
		c := &b.a.Chips[i]
		if c.Class == nil || c.Lane < 0 || long[c.Class] {
			continue
		}
		readout := c.Class.Spec.GetReadout()
		row := readout.GetRowStep().AsDuration().Seconds()
		pixel := (readout.GetStep().AsDuration() + b.a.LaneSettle(i) + b.a.Lanes[c.Lane].Conversion).Seconds()
		took := float64(c.Class.Rows) * (row + float64(c.Class.Columns)*pixel)
		if long[c.Class] = took > maxDuration.Seconds(); long[c.Class] {
			b.m.Add(invalid.Index("classes", c.Class.Index)+".readout",
				fmt.Sprintf("chip %q takes %.3g h to read", c.Name, took/time.Hour.Seconds()),
				"give times in which the bus can read a chip, far below an hour")
		}
	}
}

// shownApart limits the chips that are named for each one that cannot be read apart from them: a thousand chips wired
// alike are half a million pairs.
const shownApart = 3

// apart reports pairs of chips on one lane of which one cannot be selected
// without the other: its readout would always reach two chips.
func (b *builder) apart() {
	if b.a.WiringOnly {
		return
	}
	for j := range b.a.Chips {
		y, found := &b.a.Chips[j], 0
		for i := range b.a.Chips {
			x := &b.a.Chips[i]
			if i == j || x.Lane < 0 || x.Wires == 0 || x.Lane != y.Lane || !x.Wires.Within(y.Wires) ||
				(x.Wires == y.Wires && i > j) {
				continue
			}
			if found++; found > shownApart {
				continue
			}
			b.m.Add(invalid.Index("chips", j)+".selects",
				fmt.Sprintf("chips %q and %q can never be read apart: every word that selects %q selects %q too, "+
					"and both are on lane %q",
					x.Name, y.Name, y.Name, x.Name, b.a.Lanes[x.Lane].Name),
				"two drivers on one lane can damage both; wire one of them differently or to another lane")
		}
		if more := found - shownApart; more > 0 {
			b.m.Add(invalid.Index("chips", j)+".selects",
				fmt.Sprintf("chip %q cannot be read apart from %d more chips on lane %q", y.Name, more,
					b.a.Lanes[y.Lane].Name), "wire them differently")
		}
	}
}

func (b *builder) groups() {
	seen := map[string]int{}
	for i, g := range b.msg.GetGroups() {
		path := invalid.Index("groups", i)
		if g.GetName() == "all" {
			b.m.Add(path+".name", `"all" is the name of the whole array`, "choose another name")
		}
		if c := b.a.Chip(g.GetName()); c >= 0 {
			b.m.Add(path+".name", "a chip is called "+quote(g.GetName())+" too",
				"a target could mean either; choose another name")
		}
		b.name(path+".name", g.GetName(), seen, i, "group")
		if len(g.GetChips()) == 0 {
			b.m.Add(path+".chips", "group "+quote(g.GetName())+" is empty", "list at least one chip")
			continue
		}
		chips, m := b.a.resolveList(g.GetChips())
		for _, one := range m {
			one.Path = path + "." + strings.Replace(one.Path, "list.names", "chips", 1)
			b.m = append(b.m, one)
		}
		b.a.Groups = append(b.a.Groups, Group{Name: g.GetName(), Chips: chips})
	}
}

func (b *builder) finish() {
	for i := range b.a.Chips {
		c := &b.a.Chips[i]
		if c.Lane < 0 {
			continue
		}
		lane := &b.a.Lanes[c.Lane]
		lane.Chips = append(lane.Chips, i)
		lane.CapacitanceFarads += lane.Spec.GetChipCapacitancePf() * 1e-12
		c.Class.Bits = max(c.Class.Bits, lane.Bits)
	}
	b.a.Classes = slices.Clip(b.a.Classes)
	// Marshalling a message that was just read cannot fail.
	raw, _ := proto.MarshalOptions{Deterministic: true}.Marshal(b.msg)
	sum := sha256.Sum256(raw)
	b.a.Digest = hex.EncodeToString(sum[:])
}

func quote(s string) string { return strconv.Quote(s) }
