package page_test

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/server"
)

// TestCurvesBeginBeforeThePage: a page that is opened late, and one that is loaded anew, show the curves of rates and
// of the bus from when the daemon began, and those of a longer span too.
func TestCurvesBeginBeforeThePage(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	histories := facetdv1.NewHistoryServiceClient(d.dial(t))
	const seconds = 4
	for late := time.Now().Add(patience); ; { // real seconds of the daemon
		r, err := histories.GetHistory(limited(t), &facetdv1.GetHistoryRequest{})
		if err != nil {
			t.Fatal(err)
		}
		if n := samplesOf(r); n >= seconds {
			break
		}
		if time.Now().After(late) {
			t.Fatalf("the daemon kept %v", r)
		}
		time.Sleep(100 * time.Millisecond)
	}
	b := browse(t, d.url(), 1280, 800)
	begun := `[...document.querySelectorAll('tr[data-task] td[data-key="achieved"] canvas')]
		.every((c) => c.dataset.from - Math.floor(performance.now() / 1000) >= 2)
		&& document.querySelectorAll('tr[data-task]').length > 0`
	for load := range 2 {
		if load > 0 {
			b.do(chromedp.Navigate(d.url()))
		}
		b.live(19)
		b.waitFor(begun, patience)
		b.waitFor(`document.getElementById("bus-canvas").dataset.from - performance.now() / 1000 >= 2`, patience)
	}
	b.choose("#bus-span select", "3600")
	b.waitFor(`document.getElementById("bus-canvas").getAttribute("aria-label").includes("over 1 h") &&
		document.querySelector("#rates-span select").value === "3600"`, patience)
	b.waitFor(begun, patience)
	b.picture("history-hour", "#bus")
	b.noErrors()
}

// samplesOf is how many steps the daemon has of the bus.
func samplesOf(r *facetdv1.GetHistoryResponse) (n int) {
	for _, s := range r.GetSeries() {
		if s.GetQuantity() == facetdv1.HistoryQuantity_HISTORY_QUANTITY_UTILIZATION && s.GetPhase() == 1 {
			for _, run := range s.GetRuns() {
				n += len(run.GetMeans())
			}
		}
	}
	return n
}
