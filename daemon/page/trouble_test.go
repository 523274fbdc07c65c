package page_test

import (
	"encoding/binary"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"facetd.example/daemon/page"
)

// troubled is an API that tells of trouble which a healthy daemon on a virtual bus never
// has: its status is what the test says, and it has nothing else.
type troubled struct {
	status atomic.Value
	idle   chan struct{} // closed when it answers questions for frame sets: there are none
}

func (a *troubled) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	_, _ = io.Copy(io.Discard, r.Body)
	if !strings.HasSuffix(r.URL.Path, "/WatchStatus") {
		w.Header().Set("Content-Type", "application/json")
		switch {
		case strings.HasSuffix(r.URL.Path, "/GetArray"):
			_, _ = io.WriteString(w,
				`{"digest":"1","array":{"name":"bench","select_lines":["s0"],"chips":[{"name":"only","selects":["s0"]}]}}`)
		case strings.HasSuffix(r.URL.Path, "/WaitFrameSets"):
			select {
			case <-a.idle:
				_, _ = io.WriteString(w, `{"identity":{"instance_id":"1"},"tasks":[{"task":"walk"}]}`)
			case <-r.Context().Done():
			}
		case strings.HasSuffix(r.URL.Path, "/StreamEvents"):
			<-r.Context().Done()
		default:
			_, _ = io.WriteString(w, `{}`)
		}
		return
	}
	w.Header().Set("Content-Type", "application/connect+json")
	for beat := time.NewTicker(200 * time.Millisecond); ; {
		text := `{"status":` + a.status.Load().(string) + `}`
		_, _ = w.Write(append(binary.BigEndian.AppendUint32([]byte{0}, uint32(len(text))), text...))
		_ = http.NewResponseController(w).Flush()
		select {
		case <-beat.C:
		case <-r.Context().Done():
			beat.Stop()
			return
		}
	}
}

// TestTrouble: a fault of the bus, rule violations, late and failed jobs, a rate below the
// plan's and silence about frames are seen at once.
func TestTrouble(t *testing.T) {
	t.Parallel()
	if raceDetector {
		t.Skip("as the other tests in a browser")
	}
	api := &troubled{idle: make(chan struct{})}
	status := func(state, more string) {
		api.status.Store(fmt.Sprintf(`{"state":%q,"bus":"virtual","pace":"PACE_REALTIME","bus_ns":"5000000000","array":"bench",
			"tasks":[{"task":{"name":"walk","rate_hz":12.5,"target":{"all":{}}},"status":{"requested_rate_hz":12.5,"planned_rate_hz":16,"achieved_rate_hz":9,
			"jobs_on_time":"40","jobs_late":"3","jobs_failed":"2","worst_response_ns":"90000000","last_failure":"lane a did not settle"}}]%s}`, state, more))
	}
	status("STATE_RUNNING", "")
	h, err := page.Handler(api, []string{"facetd.v1.ArrayService", "facetd.v1.PlanService", "facetd.v1.StatusService",
		"facetd.v1.FrameService", "facetd.v1.EventService", "facetd.v1.HealthService",
		"facetd.v1.FaultService", "facetd.v1.RecordService", "facetd.v1.HistoryService", "facetd.v1.BringupService",
		"facetd.v1.CalibrationService", "facetd.v1.SceneService", "facetd.v1.DeviceService", "grpc.health.v1.Health"})
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	b := browse(t, s.URL, 1280, 800)
	b.waitFor(`document.querySelector('#rates-table [data-task="walk"]')`, patience)
	for key, want := range map[string][2]string{"planned": {"16.00 Hz", "warn"}, "achieved": {"9.00 Hz", "warn"},
		"late": {"3", "bad"}, "failed": {"2", "bad"}} {
		got := eval[[2]string](b,
			fmt.Sprintf(`(() => { const e = document.querySelector('#rates-table [data-key=%q] .num'); return [e.textContent, e.dataset.state]; })()`, key))
		if got != want {
			t.Errorf("%s is %v, want %v", key, got, want)
		}
	}
	banner := func(want ...string) {
		t.Helper()
		b.waitFor(fmt.Sprintf(`!document.getElementById('banner').hidden && document.getElementById('banner').textContent.includes(%q)`, want[0]), patience)
		said := b.text("#banner")
		for _, w := range want {
			if !strings.Contains(said, w) {
				t.Errorf("the banner %q lacks %q", said, w)
			}
		}
	}
	status("STATE_RUNNING",
		`,"rule_violations":"2","last_violations":[{"rule":"BUS_RULE_ONE_DRIVER","message":"two chips drive lane a"}]`)
	banner("2 bus rules", "one driver", "two chips drive lane a")
	if bad := eval[string](b,
		`document.querySelector('#facts [data-fact="Rule violations"]').dataset.bad`); bad != "true" {
		t.Error("rule violations are not marked")
	}
	status("STATE_FAULT", `,"fault":"the cable is out"`)
	banner("The bus stopped", "the cable is out", "every select line is inactive")
	b.picture("fault")
	status("STATE_SAFE_STOP",
		`,"safe_stop":{"reasons":[{"by":"ada","reason":"<b>smoke</b>","time":"2026-03-04T05:06:07.5Z","bus_ns":"1"},
		{"by":"bob","reason":"","time":"2026-03-04T05:07:00Z","bus_ns":"2"}],"requests":"2","revision":"1772600000000001","lines":{"state":"LINE_STATE_NOT_CONFIRMED",
		"inactive_bus_ns":"0","reason":"no acknowledgement"},"jobs_failed":"1","on_demand_failed":"0","stored":false,"not_stored_reason":"the disk is full"}`)
	banner("The array is stopped, by ada, 2026-03-04 05:06:07 UTC: <b>smoke</b> (and 1 request more)",
		"take them for active", "no acknowledgement", "does not outlive the daemon: the disk is full")
	b.picture("stopped")
	resumed := eval[float64](b, `(() => {
		const node = document.getElementById("silence");
		new MutationObserver(() => { if (node.textContent) window.silenceTold ??= performance.now(); }).
			observe(node, { childList: true, characterData: true, subtree: true });
		return performance.now();
	})()`)
	status("STATE_STOPPING", "")
	banner("going down")
	status("STATE_RUNNING", "")
	b.waitFor(`document.getElementById('banner').hidden`, patience)
	// What the daemon says is text and stays text.
	status("STATE_FAULT", `,"fault":"<img src=x onerror=alert(1)>"`)
	banner("<img src=x onerror=alert(1)>")
	if n := eval[int](b, `document.querySelectorAll('#banner img').length`); n != 0 {
		t.Error("a fault became markup")
	}
	b.noErrors()
	// Nobody answers about frames; then somebody does, and there are none.
	b.waitFor(`/^No answer about frames for [0-9.]+ s/.test(document.getElementById('silence').textContent)`, patience)
	if after := eval[float64](b, `window.silenceTold`) - resumed; after < 2500 {
		t.Errorf("that nobody answers is told %.0f ms after the stop was over, and counts the stop", after)
	}
	close(api.idle)
	b.waitFor(`document.getElementById('silence').textContent.includes('nothing of walk comes')`, patience)
}
