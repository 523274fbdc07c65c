package acceptance

import (
	"encoding/json"
	"errors"
	"os/exec"
	"strings"
	"testing"

	"facetd.example/api/peertest"
)

type probed struct {
	Verdict string `json:"verdict"`
	Cases   []struct {
		Places [][]struct {
			Kind  string `json:"kind"`
			Line  string `json:"line"`
			Chip  string `json:"chip"`
			Input *int   `json:"input"`
		} `json:"places"`
	} `json:"cases"`
	Chips []struct {
		Chip     string `json:"chip"`
		Measured string `json:"measured"`
	} `json:"chips"`
	Readouts int `json:"readouts"`
}

// answering counts the chips that were measured to answer to their own word.
func (p *probed) answering() int {
	n := 0
	for _, c := range p.Chips {
		if c.Measured == "driven" {
			n++
		}
	}
	return n
}

// probe runs facetctl probe and returns its exit status and what it printed.
func (d *daemon) probe(t *testing.T, args ...string) (int, probed) {
	t.Helper()
	out, err := exec.Command(binary(t, "facetctl"),
		append([]string{"--address", d.grpc, "probe", "--output", "json"}, args...)...).Output()
	var exit *exec.ExitError
	code := 0
	if errors.As(err, &exit) {
		code = exit.ExitCode()
	} else if err != nil {
		t.Fatal(err)
	}
	var p probed
	if err := json.Unmarshal(out, &p); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return code, p
}

// TestProbeOnALiveBus: beside the running tasks a fault-free array is found good, and
// faults put into the virtual bus are named; the tasks go on.
func TestProbeOnALiveBus(t *testing.T) {
	t.Parallel()
	d := start(t)
	ctl := func(args ...string) string {
		return run(t, binary(t, "facetctl"), append([]string{"--address", d.grpc}, args...)...)
	}
	if code, p := d.probe(t); code != 0 || p.Verdict != "fault_free" || len(p.Cases) != 0 || p.answering() != 19 {
		t.Errorf("a fault-free array: status %d, %+v", code, p)
	}
	left := peertest.Cases(3, 6)
	for fault, want := range map[string]struct{ kind, line, chip string }{
		"line-stuck-active:x1":        {"line_stuck_active", "x1", ""},
		"line-stuck-inactive:y2":      {"line_stuck_inactive", "y2", ""},
		"lines-swapped:x0,x3":         {"lines_swapped", "x0", ""},
		"chip-dead:bow-comb":          {"chip_dead", "", "bow-comb"},
		"input-open-inactive:bed-2/1": {"", "", "bed-2"}, // like a dead chip, seen from outside
		"input-shorted:bow-left/0,fb": {"input_shorted", "fa", "bow-left"},
	} {
		if left--; left < 0 { // whichever come first: the order is another one in every run
			break
		}
		ctl("fault", "set", fault)
		code, p := d.probe(t, "--quick")
		if code != 1 || p.Verdict != "faulty" || len(p.Cases) != 1 || len(p.Cases[0].Places) != 1 {
			t.Errorf("%s: status %d, %+v", fault, code, p)
			continue
		}
		f := p.Cases[0].Places[0][0]
		if (want.kind != "" && f.Kind != want.kind) || (want.line != "" && f.Line != want.line) || f.Chip != want.chip {
			t.Errorf("%s: named as %+v", fault, f)
		}
		ctl("fault", "clear")
	}
	if code, p := d.probe(t, "--quick"); code != 0 || p.Verdict != "fault_free" {
		t.Errorf("after the faults were cleared: status %d, %+v", code, p)
	}
	if list := ctl("fault", "list"); !strings.Contains(list, "no faults") {
		t.Errorf("faults left: %s", list)
	}
	status := ctl("status", "--output", "json")
	if !strings.Contains(status, "STATE_RUNNING") {
		t.Errorf("the daemon does not run: %s", status)
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
}
