package chipmodel_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
)

// TestPins: every pin is read as it is written, and nothing else is one.
func TestPins(t *testing.T) {
	seen := 0
	for n := range 255 {
		p, err := chipmodel.ParsePin(chipmodel.Pin(n).String())
		if err != nil || int(p) != n {
			t.Errorf("pin %d is written %v and read %v, %v", n, chipmodel.Pin(n), p, err)
		}
		seen++
	}
	if chipmodel.Pin(67).String() != "C3" || seen != 255 {
		t.Errorf("pin 67 is %v", chipmodel.Pin(67))
	}
	for _, name := range []string{"", "A", "a3", "A32", "A03", "H31", "I0", "A-1", "A+1", "A3 ", "33", "A100"} {
		if p, err := chipmodel.ParsePin(name); err == nil {
			t.Errorf("%q is read as %v", name, p)
		}
	}
}

func demoMessage(t *testing.T) *facetdv1.Array {
	t.Helper()
	a, m := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return proto.CloneOf(a.Message)
}

// TestTheDemosDevice: the pins of the demo, and that the section has a digest that changes with it.
func TestTheDemosDevice(t *testing.T) {
	msg := demoMessage(t)
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	d := a.Device
	if d.Selects[9] != 9 || d.Strobes[chipmodel.Reset] != 34 || d.Strobes[chipmodel.Expose] != chipmodel.NoPin ||
		d.Clock != 79 || !slices.Equal(d.Converters, []int{0, 1}) || d.Loopback[0] != 96 || len(d.Loopback) != 14 {
		t.Errorf("%+v", d)
	}
	if outputs := d.Outputs(a.Lines); len(outputs) != 10+4+3+8+1+6+6+1 || outputs[10].Serves != "strobe load" {
		t.Errorf("%d outputs: %+v", len(outputs), outputs)
	}
	msg.Device.Clock = "C14"
	if other, m := chipmodel.New(msg); len(m) > 0 || other.Device.Clock == d.Clock {
		t.Errorf("%v, the clock is still at %v", m, d.Clock)
	}
	msg.Device = nil
	if without, m := chipmodel.New(msg); len(m) > 0 || without.Device != nil {
		t.Errorf("%v", m)
	}
}

// synchronize adds a mark and two inputs to the demo's pins.
func synchronize(d *facetdv1.Device) {
	d.Mark = &facetdv1.DeviceMark{Pin: "C14", Tasks: []string{"wall", "bow"}}
	d.Inputs = []*facetdv1.DeviceInput{{Name: "wheel", Pin: "D2", Edge: facetdv1.Edge_EDGE_BOTH},
		{Name: "seen", Pin: "D3", Triggers: "look"}}
}

// TestMarkAndInputs: what connects the demo to the rest of a robot, on its board; too many inputs are refused, and
// those
// that the board cannot measure.
func TestMarkAndInputs(t *testing.T) {
	msg := demoMessage(t)
	synchronize(msg.GetDevice())
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	d := a.Device
	if d.Mark.Width != 10*time.Microsecond || !d.Marks("bow") || d.Marks("bed") || !d.Triggered() ||
		!d.Synchronized() ||
		!d.Inputs[0].Told(true) || !d.Inputs[0].Told(false) || !d.Inputs[1].Told(true) || d.Inputs[1].Told(false) {
		t.Errorf("%+v", d)
	}
	described, err := os.ReadFile("../deploy/examples/boards/crawler-hub.yaml")
	if err != nil {
		t.Fatal(err)
	}
	board, m := arrayfile.ParseBoard("hub", described)
	if len(m) > 0 || len(board.Fits(a)) > 0 {
		t.Errorf("%v, %v", m, board.Fits(a))
	}
	msg.Device.Inputs[0].Pin = "D9"
	if a, m = chipmodel.New(msg); len(m) > 0 || !strings.Contains(board.Fits(a).Error(),
		`device.inputs[0].pin: board "crawler-hub" has no input D9 that measures edges`) {
		t.Errorf("%v, %v", m, board.Fits(a))
	}
	for i := range chipmodel.MaxInputs {
		msg.Device.Inputs = append(msg.Device.Inputs, &facetdv1.DeviceInput{Name: fmt.Sprint("more", i),
			Pin: chipmodel.Pin(128 + i).String()})
	}
	if _, m = chipmodel.New(msg); !strings.Contains(m.Error(), "device.inputs: 10 inputs are too many") {
		t.Errorf("%v", m)
	}
}

// TestWrongPins: every error of the section is reported with its place.
func TestWrongPins(t *testing.T) {
	for name, c := range map[string]struct {
		change func(d *facetdv1.Device)
		want   string
	}{
		"a pin twice": {func(d *facetdv1.Device) { d.Clock = "A0" }, "device.clock: pin A0 serves select fw already"},
		"no pin":      {func(d *facetdv1.Device) { d.Clock = "PA0" }, `device.clock: "PA0" is no pin`},
		"one select short": {func(d *facetdv1.Device) { d.Selects, d.Loopback = d.Selects[:9], nil },
			"device.selects: 9 pins are given for 10 select lines"},
		"no clock": {func(d *facetdv1.Device) { d.Clock = "" }, `device.clock: class "bed-eye" needs it`},
		"no load":  {func(d *facetdv1.Device) { d.Strobes.Load, d.Loopback = "", nil }, `device.strobes.load: class`},
		"few rows": {func(d *facetdv1.Device) { d.Address.Row = d.Address.Row[:5] },
			"device.address.row: 5 pins cannot address 40"},
		"few value pins": {func(d *facetdv1.Device) { d.Registers.Value = d.Registers.Value[:7] },
			"device.registers.value: class"},
		"a lane without a converter": {func(d *facetdv1.Device) { d.Lanes = d.Lanes[:1] },
			`lane "b" has no converter`},
		"a converter twice": {func(d *facetdv1.Device) { d.Lanes[1].Converter = 0 }, "converter 0 serves lane"},
		"no such lane":      {func(d *facetdv1.Device) { d.Lanes[1].Lane = "c" }, `no lane is called "c"`},
		"an input that is an output": {func(d *facetdv1.Device) { d.Loopback[0].Input = "A3" },
			"pin A3 serves select x0"},
		"an output of nobody": {func(d *facetdv1.Device) { d.Loopback[0].Outputs[0] = "E5" },
			"pin E5 serves nothing of the array"},
		"a mark on a pin that serves": {func(d *facetdv1.Device) { d.Mark.Pin = "B0" },
			"device.mark.pin: pin B0 serves strobe load already"},
		"a mark without a pin": {func(d *facetdv1.Device) { d.Mark.Pin = "" }, "device.mark.pin: "},
		"a mark of no task":    {func(d *facetdv1.Device) { d.Mark.Tasks = nil }, "device.mark.tasks: "},
		"a task marked twice": {func(d *facetdv1.Device) { d.Mark.Tasks[1] = "wall" },
			`device.mark.tasks[1]: task "wall"`},
		"a mark for ever": {func(d *facetdv1.Device) { d.Mark.Width = durationpb.New(time.Hour) },
			"cannot last 1h"},
		"an input without a name": {func(d *facetdv1.Device) { d.Inputs[0].Name = "" }, "device.inputs[0].name: "},
		"two inputs of one name": {func(d *facetdv1.Device) { d.Inputs[1].Name = "wheel" },
			`input "wheel" is given twice`},
		"an input without a pin": {func(d *facetdv1.Device) { d.Inputs[1].Pin = "" }, "device.inputs[1].pin: "},
		"an input that is the mark": {func(d *facetdv1.Device) { d.Inputs[1].Pin = "C14" },
			"pin C14 serves mark already"},
		"an input of the self-test": {func(d *facetdv1.Device) { d.Inputs[0].Pin = "D0" },
			"device.inputs[0].pin: pin D0 serves the self-test already"},
		"two inputs at one pin": {func(d *facetdv1.Device) { d.Inputs[1].Pin = "D2" },
			"pin D2 serves input wheel already"},
		"no such edge": {func(d *facetdv1.Device) { d.Inputs[1].Edge = 9 },
			"device.inputs[1].edge: there is no edge 9"},
		"a task of no name": {func(d *facetdv1.Device) { d.Inputs[1].Triggers = "a b" },
			"device.inputs[1].triggers: "},
		"an output at two inputs": {func(d *facetdv1.Device) { d.Loopback[1].Outputs[0] = "A0" },
			"pin A0 is wired to an input already"},
	} {
		t.Run(name, func(t *testing.T) {
			msg := demoMessage(t)
			synchronize(msg.GetDevice())
			c.change(msg.GetDevice())
			_, m := chipmodel.New(msg)
			if !strings.Contains(m.Error(), c.want) || len(m) > 2 {
				t.Errorf("got %v, want %s", m, c.want)
			}
		})
	}
}
