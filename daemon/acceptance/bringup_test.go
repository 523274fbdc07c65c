package acceptance

import (
	"bufio"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
)

// groundTruth is a demo array that is not as described: a slow output, a leaky chip, a clock
// that is lost.
const groundTruth = `chips:
  - {chip: wall-04, settle_factor: 1.6}
  - {chip: wall-07, leak_factor: 5}
  - {chip: bed-1, slip: -1, slip_at: 300}
`

// bringupReport is what is looked at of a JSON report.
type bringupReport struct {
	Finished bool
	Verdict  string
	Patch    string
	Results  []struct {
		Step, Verdict, Summary string
		Measurements           []struct{ Subject, Verdict string }
	}
}

// TestBringupKilledAndResumed: the daemon is killed in the middle of a bring-up; another
// one goes on with it, and the reports name what is wrong with the array, each in its
// step. The patch is applied by the program patch, and the file then says so.
func TestBringupKilledAndResumed(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file, odd, data := filepath.Join(dir, "array.yaml"), filepath.Join(dir, "ground-truth.yaml"),
		filepath.Join(dir, "data")
	for name, text := range map[string][]byte{file: deploy.CrawlerArray, odd: []byte(groundTruth)} {
		if err := os.WriteFile(name, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	args := []string{"--array", file, "--ground-truth", odd, "--data", data, "--pace", "free", "--scene", "uniform:100"}
	d := start(t, args...)
	cmd := exec.Command(binary(t, "facetctl"), "--address", d.grpc, "bringup", "--yes", "--virtual-light", "--report",
		"-", "--output", "json")
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	id, killed := "", false
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		var event struct {
			Started  struct{ ID string }
			Progress struct{ Step string }
		}
		if err := json.Unmarshal(lines.Bytes(), &event); err != nil {
			t.Fatalf("%v: %s", err, lines.Bytes())
		}
		if event.Started.ID != "" {
			id = event.Started.ID
		}
		if event.Progress.Step == "BRINGUP_STEP_SETTLING" && !killed {
			killed = true
			if err := d.cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := cmd.Wait(); err == nil || id == "" || !killed {
		t.Fatalf("run %q, killed %v, facetctl ended with %v", id, killed, err)
	}
	<-d.done

	d = start(t, args...)
	if list := run(t, binary(t, "facetctl"), "--address", d.grpc, "bringup", "list"); !strings.Contains(list, id) ||
		!strings.Contains(list, "5 of 11") {
		t.Errorf("kept:\n%s", list)
	}
	prefix := filepath.Join(dir, "first")
	status, said, errs := outcome(t, binary(t, "facetctl"), "--address", d.grpc, "bringup", "--resume", id, "--yes",
		"--report", prefix)
	if status != 1 {
		t.Fatalf("status %d\n%s%s", status, said, errs)
	}
	raw, err := os.ReadFile(prefix + ".json")
	var r bringupReport
	if err == nil {
		err = json.Unmarshal(raw, &r)
	}
	if err != nil || !r.Finished || r.Verdict != "VERDICT_FAIL" || len(r.Results) != 11 {
		t.Fatalf("%v: %s", err, said)
	}
	blamed := map[string]string{"BRINGUP_STEP_SETTLING": "wall-04", "BRINGUP_STEP_HOLD": "wall-07",
		"BRINGUP_STEP_ORDER": "bed-1"}
	for _, step := range r.Results {
		for _, m := range step.Measurements {
			if m.Verdict != "VERDICT_PASS" && m.Subject != blamed[step.Step] {
				t.Errorf("%s blames %q: %s", step.Step, m.Subject, step.Summary)
			}
		}
		if want := blamed[step.Step] != ""; (step.Verdict == "VERDICT_FAIL") != want {
			t.Errorf("%s: %s: %s", step.Step, step.Verdict, step.Summary)
		}
	}
	page, err := os.ReadFile(prefix + ".html")
	for _, want := range []string{"electrostatic", "wall-07", "data:image/svg", "prefers-color-scheme"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("%v: the page lacks %q", err, want)
		}
	}
	for _, never := range []string{"http://", "https://", "<script", "ZgotmplZ"} {
		if strings.Contains(string(page), never) {
			t.Errorf("the page has %q", never)
		}
	}
	apply := exec.Command(peertest.Program(t, "patch"), "-p1", "-i", prefix+".patch")
	apply.Dir = dir
	if out, err := apply.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s\n%s", err, out, r.Patch)
	}
	patched, err := os.ReadFile(file)
	a, m := arrayfile.ParseArray(file, patched)
	if err != nil || len(m) > 0 {
		t.Fatal(err, m)
	}
	// 18 kiloohms on 10 + 11 x 1.6 pF or 11 + 9 x 1.6 pF, 13 ln 2 time constants, 1.6 times.
	got := a.Classes[0].Spec.GetReadout().GetSettle().AsDuration().Seconds()
	lane := a.Lanes[a.Chips[a.Chip("wall-04")].Lane]
	if want := 1.6 * lane.CapacitanceFarads * 18000 * 13 * 0.6931472; got/want < 0.95 || got/want > 1.05 {
		t.Errorf("the patched file settles for %g s, wall-04 needs %g s", got, want)
	}
}

// TestBringupAsks: an operator who types is asked, and one who says no skips the step.
func TestBringupAsks(t *testing.T) {
	t.Parallel()
	d := start(t, "--pace", "free", "--tasks", "none", "--scene", "uniform:100")
	cmd := exec.Command(binary(t, "facetctl"), "--address", d.grpc, "bringup", "--steps", "supplies,dark", "--report",
		"-")
	cmd.Stdin = strings.NewReader("what?\ny 5.01 V and 60 mA\nn\n")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, want := range []string{"current limit", "Cover the array", "supplies    pass", "dark        skipped"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("%q is not said:\n%s", want, out)
		}
	}
	cmd = exec.Command(binary(t, "facetctl"), "--address", d.grpc, "bringup", "--steps", "supplies", "--report", "-")
	if out, err := cmd.CombinedOutput(); err == nil || !strings.Contains(string(out), "--yes") ||
		!strings.Contains(string(out), "--resume") {
		t.Errorf("without anybody: %v\n%s", err, out)
	}
	if status, _, errs := outcome(t, binary(t, "facetctl"), "bringup", "--steps", "flat,nothing"); status != 2 ||
		!strings.Contains(errs, `"nothing"`) {
		t.Errorf("an unknown step: status %d: %s", status, errs)
	}
}
