package scheduler_test

import (
	"errors"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// FuzzTasks: whatever is asked for is planned within the rules, refused, or found
// wrong with every error placed; nothing panics.
func FuzzTasks(f *testing.F) {
	for _, list := range [][]*facetdv1.Task{
		{task("ring", "mems", 15, &facetdv1.View{SmoothingSteps: 2, Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}),
			task("quick", "hexs", 900, tiny())},
		{task("trim", "trims", 29.97, &facetdv1.View{Trim: &facetdv1.TrimSettings{Offset: -128,
			PixelBias: proto.Uint32(255)}})},
		{task("look", "mems", 50, exposed(300*time.Microsecond, 100*time.Microsecond, 4*time.Millisecond))},
		{task("bad", "cnts", -1, &facetdv1.View{Shares: []*facetdv1.Share{{Columns: "1010101"}}})},
	} {
		raw, err := proto.Marshal(&facetdv1.TaskList{Tasks: list})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	a := bench(f, [5]int{2, 2, 2, 2, 2}, shutters)
	f.Fuzz(func(t *testing.T, raw []byte) {
		var list facetdv1.TaskList
		if proto.Unmarshal(raw, &list) != nil || len(list.GetTasks()) > 6 {
			return
		}
		tasks, m := program.NewTasks(a, list.GetTasks())
		for _, one := range m {
			if one.Path == "" || one.Message == "" || one.Hint == "" {
				t.Errorf("an error without place or advice: %+v", one)
			}
		}
		if len(m) > 0 {
			return
		}
		p, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true, MaxSegments: 500})
		var refusal *scheduler.RefusalError
		switch {
		case errors.As(err, &refusal):
		case err != nil:
			t.Error(err)
		default:
			for _, v := range rules.Judge(a, p.Table(), 2) {
				t.Error(v)
			}
		}
	})
}

// FuzzCommand: a command that compiles reaches exactly its target.
func FuzzCommand(f *testing.F) {
	for _, c := range []*facetdv1.Command{
		writeCmd(group("mems"), chipmodel.RowPattern, 0x55), strobeCmd(list("cnt-0", "trim-1"), chipmodel.Reset), {},
	} {
		raw, err := proto.Marshal(c)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	a := bench(f, [5]int{4, 2, 2, 2, 2})
	f.Fuzz(func(t *testing.T, raw []byte) {
		var cmd facetdv1.Command
		if proto.Unmarshal(raw, &cmd) != nil {
			return
		}
		p, err := scheduler.CompileCommand(a, &cmd, program.PowerOn(a), nil)
		if err != nil {
			return
		}
		if err := bus.CheckOps(a, p.Ops); err != nil {
			t.Error(err)
		}
		want, m := a.Resolve(cmd.GetTarget())
		reached := map[string]bool{}
		for _, w := range p.Words {
			for _, name := range w.GetReaches() {
				reached[name] = true
			}
		}
		if len(m) > 0 || len(reached) != len(want) {
			t.Errorf("reaches %v, meant for %v", reached, a.ChipNames(want))
		}
	})
}
