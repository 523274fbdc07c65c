package measure

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
)

var demoChanges = []Change{
	{"classes[0].readout.settle", "6.77us"},
	{"classes[0].memory.leak_fa", "4.5"},
	{"classes[2].readout.settle", "5us"},
	{"lanes[1].converter.noise_volts", "0.0002"},
}

// TestPatchOfTheDemo: the patched file parses, says what was proposed, and differs from
// the old one in nothing else; comments stay.
func TestPatchOfTheDemo(t *testing.T) {
	out, diff, err := Patch("array.yaml", deploy.CrawlerArray, demoChanges)
	if err != nil {
		t.Fatal(err)
	}
	before, m := arrayfile.ParseArray("array.yaml", deploy.CrawlerArray)
	after, m2 := arrayfile.ParseArray("array.yaml", out)
	if m, m2 := len(m), len(m2); m+m2 != 0 {
		t.Fatal(m2)
	}
	if got := after.Classes[0].Spec.GetReadout().GetSettle().AsDuration().Nanoseconds(); got != 6770 {
		t.Errorf("settle of class 0: %d ns", got)
	}
	if got := after.Classes[0].Spec.GetMemory().GetLeakFa(); got != 4.5 {
		t.Errorf("leak %g", got)
	}
	if got := after.Lanes[1].Spec.GetConverter().GetNoiseVolts(); got != 0.0002 {
		t.Errorf("noise %g", got)
	}
	// Taking back what was changed gives the array of before.
	msg := after.Message
	msg.Classes[0].Readout.Settle, msg.Classes[2].Readout.Settle = nil, nil
	msg.Classes[0].GetMemory().LeakFa = before.Message.Classes[0].GetMemory().LeakFa
	msg.Lanes[1].Converter.NoiseVolts = before.Message.Lanes[1].Converter.NoiseVolts
	if a, b := msg.String(), before.Message.String(); strings.ReplaceAll(a, " ", "") != strings.ReplaceAll(b, " ", "") {
		t.Errorf("something else changed:\n%s\n%s", a, b)
	}
	if got, want := strings.Count(string(out), "#"), strings.Count(string(deploy.CrawlerArray), "#"); got != want {
		t.Errorf("%d comments, %d before", got, want)
	}
	if n := strings.Count(diff, "\n+") - strings.Count(diff, "\n+++"); n != len(demoChanges) {
		t.Errorf("%d lines added:\n%s", n, diff)
	}
}

// TestDiffIsReadByPatch: the program patch makes the new file of the old one.
func TestDiffIsReadByPatch(t *testing.T) {
	program := peertest.Program(t, "patch")
	for _, name := range []string{"array.yaml", "/somewhere/else/array.yaml", "demo array.yaml"} {
		out, diff, err := Patch(name, deploy.CrawlerArray, demoChanges)
		if err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		file := filepath.Join(dir, filepath.Base(name))
		if err := os.WriteFile(file, deploy.CrawlerArray, 0o600); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(program, "-p1")
		cmd.Dir, cmd.Stdin = dir, strings.NewReader(diff)
		if said, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s\n%s", err, said, diff)
		}
		if got, err := os.ReadFile(file); err != nil || string(got) != string(out) {
			t.Errorf("%s: %v: not the patched file", name, err)
		}
	}
}

func TestPatchPlaces(t *testing.T) {
	for _, c := range []struct{ name, file, path, value, want string }{
		{"block, replaced beside a comment", "a:\n  b: 1 # why\n  c: 2\n", "a.b", "7", "a:\n  b: 7 # why\n  c: 2\n"},
		{"quoted", "a: {b: \"1us\", c: 'x'} # k\n", "a.b", "2us", "a: {b: 2us, c: 'x'} # k\n"},
		{"flow, added", "l:\n  - {b: 1, c: 2}\n  - {b: 3}\n", "l[1].d", "9",
			"l:\n  - {b: 1, c: 2}\n  - {b: 3, d: 9}\n"},
		{"block, added after the first", "a:\n  b: 1 # one\n  c: 2\n", "a.d", "9",
			"a:\n  b: 1 # one\n  d: 9\n  c: 2\n"},
		{"in a list item", "l:\n  - b: 1\n    c: 2\n", "l[0].d", "9", "l:\n  - b: 1\n    d: 9\n    c: 2\n"},
		{"no line break at the end", "a: {b: 1}\nx: 4", "x", "5", "a: {b: 1}\nx: 5"},
		{"added without a line break at the end", "a:\n  b: 1", "a.c", "5", "a:\n  b: 1\n  c: 5\n"},
		{"lowerCamelCase", "a: {leakFa: 1}\n", "a.leak_fa", "5", "a: {leakFa: 5}\n"},
		{"after letters of two bytes", "a: {n: \"äöü\", b: 1}\n", "a.b", "5", "a: {n: \"äöü\", b: 5}\n"},
	} {
		got, diff, err := Patch("f.yaml", []byte(c.file), []Change{{c.path, c.value}})
		if err != nil || string(got) != c.want || diff == "" {
			t.Errorf("%s: %v: %q, want %q, diff %q", c.name, err, got, c.want, diff)
		}
	}
	for _, c := range []struct{ name, file, path string }{
		{"no such place", "a: {b: 1}\n", "c.d"},
		{"no such element", "a: [1]\n", "a[3]"},
		{"an anchor", "a: {b: &x 1, c: *x}\n", "a.b"},
		{"a mapping", "a: {b: {c: 1}}\n", "a.b"},
		{"empty", "", "a"},
	} {
		if got, _, err := Patch("f.yaml", []byte(c.file), []Change{{c.path, "5"}}); err == nil {
			t.Errorf("%s: became %q", c.name, got)
		}
	}
}

// FuzzPatch: whatever the file, a patch that is made says what was meant, and none
// panics.
func FuzzPatch(f *testing.F) {
	f.Add("a:\n  b: 1 # why\n", "a.b")
	f.Add("l: [{b: 1}]\n", "l[0].c")
	f.Fuzz(func(t *testing.T, file, place string) {
		_, _, _ = Patch("f.yaml", []byte(file), []Change{{place, "42"}})
	})
}
