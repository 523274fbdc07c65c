package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
)

// Two tasks that share the load of the ring run for two seconds as two tasks, and
// beside them one that cannot share.
func TestRunsTasksThatShareALoad(t *testing.T) {
	tasks := filepath.Join(t.TempDir(), "tasks.yaml")
	text := `tasks:
  - {name: fine, target: {group: ring}, rate_hz: 50}
  - {name: ahead, target: {list: {names: [ahead]}}, rate_hz: 100}
  - {name: small, target: {group: ring}, rate_hz: 50, max_hold: 20ms, views: [{name: small, binning: {rows: 2, columns: 2}}]}
`
	if err := os.WriteFile(tasks, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r := run(t, []string{"serve", "--array", "testdata/bench.yaml", "--tasks", tasks, "--scene", "uniform:100",
		"--pace", "free",
		"--run-for", "2s", "--listen", "127.0.0.1:0", "--http", "", "--log-level", "error", "--output", "json"}, "")
	var sum runSummary
	if err := json.Unmarshal([]byte(r.Stdout), &sum); err != nil || r.Status != 0 {
		t.Fatalf("status %d: %v, %s%s", r.Status, err, r.Stdout, r.Stderr)
	}
	if len(sum.Tasks) != 3 || sum.Violations != 0 {
		t.Fatalf("%d tasks, rules violated %d times", len(sum.Tasks), sum.Violations)
	}
	for i, want := range []struct {
		name       string
		sets, each uint64
	}{{"fine", 100, 4}, {"ahead", 200, 1}, {"small", 100, 4}} {
		q := sum.Tasks[i]
		if q.Name != want.name || q.OnTime < want.sets-2 || q.OnTime > want.sets || q.Frames != q.OnTime*want.each ||
			q.Late+q.Failed != 0 || q.Planned != q.Requested {
			t.Errorf("%+v", q)
		}
	}
	if fine, small := sum.Tasks[0].OnTime, sum.Tasks[2].OnTime; fine != small {
		t.Errorf("%d jobs of fine, %d of small", fine, small)
	}
}
