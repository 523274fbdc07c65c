package page_test

import (
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/server"
)

// TestHealthIsSeen: a dead chip and a saturated lane stand with cause and next step on the first screen, the head, on
// their tiles and beside the chip; while nothing is wrong there is no colour of a status.
func TestHealthIsSeen(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	b.waitFor(`document.getElementById('health-line').textContent === '19 of 19 chips good'`, patience)
	if n := eval[int](b, `document.querySelectorAll('[data-level="bad"], [data-level="warn"], .tile[data-health="bad"]').length`); n > 0 {
		t.Errorf("%d marks on a fault-free array", n)
	}
	faults := facetdv1.NewFaultServiceClient(d.dial(t))
	inject := func(f ...*facetdv1.Fault) {
		t.Helper()
		if _, err := faults.SetFaults(limited(t), &facetdv1.SetFaultsRequest{Faults: f}); err != nil {
			t.Fatal(err)
		}
	}
	inject(&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "wall-03"})
	b.waitFor(`document.getElementById('health-line').textContent === '✕ bad: wall-03: no signal'`, patience)
	// The finding stands in the first screen, with what to do.
	b.waitFor(`(() => { const d = document.querySelector('details[data-id="chip/wall-03/undriven"]');
		return d?.open && d.textContent.includes('facetctl probe') && d.getBoundingClientRect().bottom <= innerHeight; })()`,
		patience)
	b.waitFor(`document.querySelector('.tile[data-chip="wall-03"]').dataset.health === 'bad' &&
		document.querySelector('.tile[data-chip="wall-03"] .health').textContent === '✕ no signal' &&
		document.querySelectorAll('.tile[data-health="bad"]').length === 1`, patience)
	b.click(`.tile[data-chip="wall-03"]`)
	b.waitFor(`document.getElementById('chip-health').textContent.includes('facetctl probe')`, patience)
	b.picture("health-dead")

	// An injected fault is told as a test, and not as something wrong by itself; a command can be copied, and what the
	// page does itself is one click away.
	if got := b.text("#health-test"); !strings.HasPrefix(got, "A test runs: 1 fault of the virtual bus was put in") {
		t.Errorf("of the fault that was put in the page says %q", got)
	}
	if bad := eval[string](b, `document.querySelector('#facts [data-fact="Test"]').dataset.bad`); bad != "false" {
		t.Error("a test has the colour of what is bad")
	}
	b.click(`details[data-id="chip/wall-03/undriven"] [data-command="facetctl probe"]`)
	b.waitFor(`document.getElementById('health-said').textContent.includes('facetctl probe')`, patience)
	b.click(`details[data-id="chip/wall-03/undriven"] a[href="#wiring"]`)
	b.waitFor(`document.body.dataset.room === 'build' && document.activeElement.id === 'wiring'`, patience)
	b.click(`#rooms a[data-room="watch"]`)

	b.click(`details[data-id="chip/wall-03/undriven"] button:not([data-command])`)
	b.waitFor(`document.querySelector('details[data-id="chip/wall-03/undriven"] summary').textContent.includes('(seen)')`,
		patience)
	inject(&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED, Lane: "b"})
	b.waitFor(`document.getElementById('health-line').textContent.startsWith('✕ bad: output lane b: at full scale')`, patience)
	// What is clipped has a pattern and a word on its picture, and a legend beside the large one.
	b.waitFor(`(() => { const n = document.querySelectorAll('.tile .die[data-clips="high"]').length; return n > 3; })()`,
		patience)
	b.click(`.tile[data-health="bad"]:has(.die[data-clips="high"])`)
	b.waitFor(`/^code [0-9]+ .* V\).*more light, (higher|lower) code.*100 % at the highest code$/.test(document.getElementById('chip-scale').textContent) &&
		document.querySelector('#chip-large .die').dataset.clips === 'high'`, patience)
	b.picture("health-lane")
	// What the reader has closed stays closed, and the focus where it is, whatever is drawn anew.
	b.click(`details[data-id="lane/b/saturated"] summary`)
	if _, err := facetdv1.NewHealthServiceClient(d.dial(t)).AcknowledgeFinding(limited(t),
		&facetdv1.AcknowledgeFindingRequest{Id: "lane/b/saturated"}); err != nil {
		t.Fatal(err)
	}
	b.waitFor(`document.querySelector('details[data-id="lane/b/saturated"] summary').textContent.includes('(seen)')`, patience)
	if !eval[bool](b, `!document.querySelector('details[data-id="lane/b/saturated"]').open &&
		document.activeElement === document.querySelector('details[data-id="lane/b/saturated"] summary')`) {
		t.Error("a finding that was closed is open again, or the focus is elsewhere")
	}
	b.noErrors()

	small := browse(t, d.url(), 390, 844)
	small.waitFor(`document.getElementById('health-line').textContent.startsWith('✕ bad: output lane b: at full scale')`, patience)
	small.live(19)
	small.picture("health-narrow")
	small.noErrors()

	inject()
	b.waitFor(`document.getElementById('health').hidden`, patience)
	d.stop()
	b.waitFor(`document.body.dataset.link === 'lost'`, patience)
	if got := eval[string](b, `getComputedStyle(document.getElementById('health-line')).textDecorationLine`); got !=
		"line-through" {
		t.Errorf("the health of a lost daemon looks %s", got)
	}
	b.picture("health-lost")
	b.takeFaults() // of a connection that is gone
}
