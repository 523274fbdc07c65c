package campaign

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// plant is a defect: a text of a file, and what stands in its place.
type plant struct{ name, file, is, becomes string }

// plants are defects of the kind that a change could bring in.
var plants = []plant{
	{"a lost result", "daemon/dispatch/reporter.go", "\tlater, can := p.observer.(LaterObserver)\n",
		"\tif set.GetJob()%64 == 63 {\n\t\treturn\n\t}\n\tlater, can := p.observer.(LaterObserver)\n"},
	{"a doubled result", "daemon/dispatch/reporter.go", "\tlater, can := p.observer.(LaterObserver)\n",
		"\tif set.GetJob()%64 == 63 {\n\t\tif look != nil {\n\t\t\tlook()\n\t\t}\n\t\tp.observer.JobEnded(set)\n" +
			"\t\tlook = nil\n\t}\n\tlater, can := p.observer.(LaterObserver)\n"},
	{"nothing restored", "daemon/dispatch/jobs.go", "\t\tr.regs.lose(job.job.Chips, r.tab.assumes)\n", ""},
	{"registers taken as known after a failure", "daemon/dispatch/spare.go",
		"\t\tr.regs.lose(one.program.Chips, r.tab.assumes)\n", ""},
	{"an early start", "daemon/dispatch/runner.go", "return r.runEntry(hard, entry, max(at, r.taken, ",
		"return r.runEntry(hard, entry, max(at-1, r.taken, "},
	{"a lag that is never worked off", "daemon/dispatch/runner.go",
		"return r.runEntry(hard, entry, max(at, r.taken, ",
		"return r.runEntry(hard, entry, max(at.Add(min(r.lag.seen.Worst, " +
			"50*time.Millisecond).Truncate(time.Microsecond)), r.taken, "},
	{"a change told to be active one tick off", "daemon/dispatch/activate.go", "\tanswer(changeDone{effective: epoch, ",
		"\tanswer(changeDone{effective: epoch + 1, "},
	{"an uncounted drop", "daemon/stream/subscription.go",
		"\ts.lose(s.waiting[i].set.GetTask())\n\ts.left(s.waiting[i])\n", "\ts.left(s.waiting[i])\n"},
	{"a hold one tick too short", "daemon/dispatch/assemble.go", "max(f.GetHoldNs(), int64(c.Hold))",
		"max(f.GetHoldNs(), int64(c.Hold)-1)"},
	{"a leaked goroutine", "daemon/stream/hub.go", "\th.subs = append(h.subs, s)\n",
		"\th.subs = append(h.subs, s)\n\tgo func() { <-make(chan int) }()\n"},
	{"late counted as on time", "daemon/dispatch/stats.go", "\t\ts.JobsLate++\n", "\t\ts.JobsOnTime++\n"},
	{"a write that is not remembered", "daemon/dispatch/spare.go", "\tr.regs.wrote(p.Ops, r.tab.assumes)\n", ""},
	{"a number left out", "daemon/dispatch/table.go", "\t\tof.next++\n",
		"\t\tif of.next++; of.next%50 == 0 {\n\t\t\tof.next++\n\t\t}\n"},
	{"a change while a job is open", "daemon/dispatch/table.go",
		"\tif len(t.open) > 0 {\n\t\treturn 0, false\n\t}\n\tif t.idle() {\n\t\treturn now, true\n\t}\n" +
			"\tat := min(now, t.due())\n\treturn at, at >= last\n", "\treturn now, true\n"},
	{"an uncounted loss of a recording", "daemon/record/queue.go",
		"\t\tq.pending.add(atNS, &it)\n\t\tq.lost.add(&it)\n",
		"\t\tq.pending.add(atNS, &it)\n"},
	{"a frame set recorded twice", "daemon/record/recording.go", "\tr.covers(fs.GetFinishBusNs())\n",
		"\tif fs.GetJob()%32 == 31 {\n\t\t_ = r.write(topic, fs, at)\n\t}\n\tr.covers(fs.GetFinishBusNs())\n"},
	{"an uncounted event that the disk refused", "daemon/events/journal.go", "\t\t\t\tj.refused++\n", ""},
	{"a frame set replaced uncounted", "daemon/stream/subscription.go", "\t\ts.lose(it.set.GetTask())\n", ""},
	{"frame sets left behind uncounted", "daemon/stream/hub.go", "\th.left.Abandoned += uint64(waiting)\n",
		"\th.left.Abandoned += uint64(0 * waiting)\n"},
	{"decimation uncounted", "daemon/stream/subscription.go", "\t\ts.decimated++\n", ""},
	{"a first sample one tick off", "daemon/dispatch/assemble.go", "f.FirstSampleBusNs = c.FirstSample.NS()",
		"f.FirstSampleBusNs = c.FirstSample.NS() + 1"},
	{"rows in the wrong place", "daemon/dispatch/assemble.go", "o.set.Frames[c.Frame], c.FirstRow*c.Window.Columns",
		"o.set.Frames[c.Frame], 0"},
	{"repeated failures that no event tells", "daemon/events/observe.go", "\tr.more++\n", ""},
	{"counts that begin anew with a change", "daemon/dispatch/stats.go", "\t\t\t\tout[i] = old\n", "\t\t\t\t_ = old\n"},
	{"a timetable one tick off", "daemon/dispatch/table.go", "t := &table{plan: plan, runs: c.runs, epoch: at.epoch,",
		"t := &table{plan: plan, runs: c.runs, epoch: at.epoch + 1,"},
	{"violations that nobody hears of", "daemon/dispatch/reporter.go", "\t\tp.observer.Violated(v)\n", ""},
	{"lines that stay active at the end", "daemon/dispatch/safestop.go", "r.cfg.Bus.Release(ctx)",
		"bus.Stop{Inactive: r.cfg.Bus.Now(), Confirmed: true}, ctx.Err()"},
	{"parameters told for one job too late", "daemon/dispatch/parameters.go", "FirstJob: of.next,",
		"FirstJob: of.next + 1,"},
	{"what the daemon sets set by a client, too", "daemon/dispatch/parameters.go", "a.Sets(field) {",
		"a.Sets(field) && len(field) == 0 {"},
	{"an offset set beside an exposure", "scheduler/program/automatic.go", "{ return a.Offset > 0 && a.Exposure == 0 }",
		"{ return a.Offset > 0 }"},
	{"a job that waits at a safe stop uncounted", "daemon/dispatch/safestop.go",
		"\tr.overtaken(s.Reasons[0].BusTime, s.cause()) // they were released, and wait\n", ""},
	{"a safe stop that is forgotten", "daemon/dispatch/runner.go", "\tif s := r.box.stopped(); s != nil {\n\t\treturn",
		"\tif s := r.box.stopped(); s != nil && s.Revision != r.halt.revision {\n\t\treturn"},
	{"a correction map that the disk refused", "daemon/calibration/store.go",
		"if err := s.store.write(name, data); err != nil {",
		"if err := s.store.write(name, data); err != nil && len(name) == 0 {"},
	{"a trigger answered twice", "daemon/dispatch/trigger.go", "\tof.waiting = false\n\tof.next++\n",
		"\tof.waiting = of.next%8 == 7\n\tof.next++\n"},
	{"a response above the promise", "daemon/dispatch/trigger.go", "at.Add(-r.tab.plan.TriggerLead)",
		"at.Add(-r.tab.plan.TriggerLead-20*time.Millisecond)"},
	{"a retried request done again", "daemon/retry/retry.go", "if e := b.entries[id]; e != nil {",
		"if e := b.entries[id]; e != nil && e.cancel != nil {"},
	{"a pause that shifts the grid", "daemon/dispatch/trigger.go",
		"if len(r.tab.reported(e.Task, release)) == 0 {\n",
		"if len(r.tab.reported(e.Task, release)) == 0 {\n\t\t\tr.tab.epoch = r.tab.epoch.Add(time.Microsecond)\n"},
	{"a resume that loses a job number", "daemon/dispatch/trigger.go",
		"if len(r.tab.reported(e.Task, release)) == 0 {\n",
		"if len(r.tab.reported(e.Task, release)) == 0 {\n" +
			"\t\t\tr.tab.tasks[r.tab.plan.Tasks[e.Task].Members[0].Asked].next++\n"},
	{"a paused task that runs", "daemon/dispatch/pause.go", "\t\tif !t.pausedAt(members[i].Task.Name, release) {\n",
		"\t\tif t.cycle%4 == 3 || !t.pausedAt(members[i].Task.Name, release) {\n"},
	{"parameters that take effect a job early", "daemon/dispatch/parameters.go", "values := slices.Clone(of.values)",
		"values := of.values"},
	{"a view that is off and shown", "daemon/dispatch/assemble.go", "\t\tif m.Task.Shows(",
		"\t\tif m.number%8 == 3 || m.Task.Shows("},
	{"half of several changes", "daemon/dispatch/change.go",
		"\t\treturn taskchange.Apply(running, revision, c)\n\t}, func",
		"\t\tif len(c.GetAdd()) > 0 {\n\t\t\tc = &facetdv1.TaskChanges{Add: c.GetAdd(), Update: c.GetUpdate()}\n" +
			"\t\t}\n\t\treturn taskchange.Apply(running, revision, c)\n\t}, func"},
	{"a release off its grid that nobody tells", "daemon/dispatch/table.go", "\t\tt.tasks[i].moved(at.shifts)\n",
		"\t\tt.tasks[i].moved(nil)\n"},
	{"a file left half-written", "api/fileio/write.go", "errors.Join(Plain(err), os.Remove(f.Name()))", "Plain(err)"},
}

// TestPlanted plants each defect in a copy and runs seeds until one fails. It takes minutes, and is a part of .ci/long.
func TestPlanted(t *testing.T) {
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range plants {
		t.Run(strings.ReplaceAll(p.name, " ", "_"), func(t *testing.T) {
			path := filepath.Join(root, filepath.FromSlash(p.file))
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if n := strings.Count(string(text), p.is); n != 1 {
				t.Fatalf("%s has the text %d times where this defect goes: plant it anew", p.file, n)
			}
			if os.Getenv("FACETD_PLANTED") == "" {
				return // that it can be planted is looked at in every run
			}
			overlay := planted(t, path, strings.Replace(string(text), p.is, p.becomes, 1))
			cmd := exec.Command("go", "test", "-count=1", "-overlay", overlay, "-run", "TestCampaign", ".")
			cmd.Env = append(os.Environ(), seedsVariable+"=1,1000", stopVariable+"=1")
			out, err := cmd.CombinedOutput()
			seed := regexp.MustCompile(`seed \d+[^\n]*`).FindString(string(out))
			if strings.Contains(string(out), "[build failed]") {
				t.Fatalf("with it the package does not compile:\n%s", out)
			}
			if err == nil || seed == "" {
				t.Fatalf("1000 seeds do not find it: %v\n%s", err, out)
			}
			t.Log(seed)
		})
	}
}

// planted writes a file that has the go command read another text in the place of a file's.
func planted(t *testing.T, path, text string) string {
	t.Helper()
	dir := t.TempDir()
	other, overlay := filepath.Join(dir, filepath.Base(path)), filepath.Join(dir, "overlay.json")
	replace, err := json.Marshal(map[string]any{"Replace": map[string]string{path: other}})
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{other: []byte(text), overlay: replace} {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return overlay
}
