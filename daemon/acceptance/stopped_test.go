package acceptance

import (
	"io"
	"net/http"
	"regexp"
	"strconv"
	"syscall"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

var worstLag = regexp.MustCompile(`(?m)^facetd_host_worst_lag_seconds ([0-9.e+-]+)$`)

var failedJobs = regexp.MustCompile(`(?m)^facetd_jobs_total\{outcome="failed",task="[a-z]+"\} [1-9]`)

// TestAStoppedProcessIsTold: a daemon that was stopped for a while and goes on says so, and that the jobs of that time
// have failed for it.
func TestAStoppedProcessIsTold(t *testing.T) {
	t.Parallel()
	const stop = 1500 * time.Millisecond
	d := start(t, "--max-lag", "100ms")
	ctx := within(t, time.Minute)
	conn := d.dial(t)
	frames := follow(t, ctx, conn)
	for range 20 {
		if _, err := frames.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	signal := func(s syscall.Signal) {
		if err := d.cmd.Process.Signal(s); err != nil {
			t.Fatal(err)
		}
	}
	signal(syscall.SIGSTOP)
	time.Sleep(stop) // how long it is stopped is what is tested
	signal(syscall.SIGCONT)

	events := facetdv1.NewEventServiceClient(conn)
	var worst time.Duration
	var caughtUp bool
	for worst < stop/2 || !caughtUp {
		list, err := events.ListEvents(ctx, &facetdv1.ListEventsRequest{
			Filter: &facetdv1.EventFilter{Kinds: []facetdv1.EventKind{facetdv1.EventKind_EVENT_KIND_HOST_BEHIND}},
		})
		if err != nil {
			t.Fatalf("%v; told so far: %v behind, caught up: %v", err, worst, caughtUp)
		}
		for _, e := range list.GetEvents() {
			lag := e.GetFields()["lag_ns"].GetInteger()
			worst = max(worst, time.Duration(lag))
			caughtUp = caughtUp || e.GetSeverity() == facetdv1.Severity_SEVERITY_INFO && time.Duration(lag) > stop/2
		}
		time.Sleep(10 * time.Millisecond)
	}
	response, err := http.Get(d.http + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	if failed := failedJobs.FindAllSubmatch(text, -1); len(failed) == 0 {
		t.Errorf("no job has failed:\n%s", text)
	}
	m := worstLag.FindSubmatch(text)
	if m == nil {
		t.Fatalf("no worst lag among the metrics:\n%s", text)
	}
	if lag, err := strconv.ParseFloat(string(m[1]), 64); err != nil || lag < worst.Seconds() {
		t.Errorf("worst lag %s s, told %v", m[1], worst)
	}
	t.Logf("told %v behind after a stop of %v", worst, stop)
}
