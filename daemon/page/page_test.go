package page_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/daemon/config"
	"facetd.example/daemon/page"
	"facetd.example/daemon/server"
)

// dial connects to a daemon beside the page, so that what the page shows can be compared.
func (d *daemon) dial(t *testing.T) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(d.Addresses().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func (d *daemon) url() string { return "http://" + d.Addresses().HTTP + "/" }

func limited(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	t.Cleanup(cancel)
	return ctx
}

// live waits until every chip's picture is fresh, which a busy machine may be long about.
func (b *tab) live(chips int) {
	b.t.Helper()
	b.waitFor(fmt.Sprintf(`document.querySelectorAll('.tile[data-state="fresh"]').length === %d`, chips), patience)
}

// TestFrames: all nineteen chips are live, the page keeps up, and the pixels of one are
// those of the API.
func TestFrames(t *testing.T) {
	d := run(t, func(c *server.Setup) { c.Scene = config.DefaultScene })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	// Wall at 15 Hz, bed and bow at 16 and comb at its 10 make 286 frames a second, by the page's
	// own count of the last two. The machine may be busy with other tests, so the bounds are
	// wide, and it has time to come to them.
	b.waitFor(`(({received, drawn, lagMs}) => received >= 200 && drawn >= 0.5 * received && lagMs <= 500)(document.getElementById('drawn').dataset)`, 2*time.Minute)
	t.Log(b.text("#drawn"))
	comparePixels(t, d, b)

	// Another chip by a click, and by arrow key and Enter.
	b.click(`.tile[data-chip="bow-comb"]`)
	b.waitFor(`document.getElementById('chip-h').textContent === 'Chip bow-comb' && document.querySelector('#chip-facts [data-fact="Pixels"]').textContent.includes('hexagonal')`, patience)
	b.do(chromedp.KeyEvent(kb.ArrowLeft), chromedp.KeyEvent(kb.Enter))
	b.waitFor(`document.getElementById('chip-h').textContent === 'Chip bow-left'`, patience)
	for _, fact := range []string{"First sample", "Light taken", "Hold", "Readout", "Skew of the set", "Clipped"} {
		if eval[string](b, fmt.Sprintf(`document.querySelector('#chip-facts [data-fact=%q]').textContent`,
			fact)) == "" {
			t.Errorf("no %s", fact)
		}
	}
	// The range, and corrected codes: without a correction map the daemon says why they are raw.
	b.choose("#range-mode", "fixed")
	b.fill("#range-low", "1000")
	b.fill("#range-high", "3000")
	b.waitFor(`document.querySelector('#chip-facts [data-fact="Range shown"]').textContent.startsWith('codes 1000 to 3000')`, patience)
	b.choose("#range-mode", "auto")
	b.choose("#codes", "CODES_CORRECTED")
	b.waitFor(`!document.getElementById('chip-note').hidden && document.getElementById('chip-note').textContent.includes('not corrected')`, patience)
	b.live(19)
	b.choose("#codes", "CODES_RAW")
	// One task alone: the others' pictures grow old and say so.
	b.choose("#frames-task", "wall")
	b.waitFor(`document.querySelector('.tile[data-chip="bed-0"]').dataset.state === 'stale' && document.querySelector('.tile[data-chip="wall-00"]').dataset.state === 'fresh'`, patience)
	if said := b.text(`.tile[data-chip="bed-0"] .age`); !strings.HasPrefix(said, "STALE") {
		t.Errorf("a picture that is old says %q", said)
	}
	b.choose("#frames-task", "")
	b.live(19)
	b.picture("frames", "#frames")
	b.picture("chip", "#chip")
	b.picture("whole")
	b.picture("window", "body")
	b.noErrors()
}

// comparePixels compares the large picture under the full range with the codes of the
// same job from the API.
func comparePixels(t *testing.T, d *daemon, b *tab) {
	t.Helper()
	ctx, cancel := context.WithCancel(limited(t))
	defer cancel()
	start := followtest.All("wall")
	start.Selection.Chips = []string{"wall-07"}
	frames, err := followtest.Open(ctx, d.dial(t), start)
	if err != nil {
		t.Fatal(err)
	}
	first, err := frames.Recv()
	if err != nil {
		t.Fatal(err)
	}
	b.choose("#range-mode", "full")
	b.click(`.tile[data-chip="wall-07"]`)
	b.click("#mark-clipped")
	// What the page shows may be older than the stream of the test.
	b.waitFor(fmt.Sprintf(`(({dataset: {job}, width}) => job?.startsWith('wall/') && width === 20 &&
		Number(job.split('/')[1]) > %d)(document.getElementById('chip-canvas'))`, first.GetFrameSet().GetJob()), patience)
	b.drawn() // without marks
	type shown struct {
		Job    string
		Pixels []int
	}
	got := eval[shown](b, `(() => {
		const c = document.getElementById('chip-canvas'), p = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
		return {job: c.dataset.job, pixels: Array.from({length: p.length / 4}, (_, i) => p[4 * i])};
	})()`)
	job, err := strconv.ParseUint(strings.Split(got.Job, "/")[1], 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	for {
		m, err := frames.Recv()
		if err != nil {
			t.Fatalf("job %d did not come: %v", job, err)
		}
		if m.GetFrameSet().GetJob() < job {
			continue
		}
		f := m.GetFrameSet().GetFrames()[0]
		if m.GetFrameSet().GetJob() != job || len(got.Pixels) != int(f.GetRows()*f.GetColumns()) {
			t.Fatalf("job %d with %d pixels in the page, job %d from the API", job, len(got.Pixels),
				m.GetFrameSet().GetJob())
		}
		distinct := map[int]bool{}
		for i, grey := range got.Pixels {
			code := binary.LittleEndian.Uint16(f.GetData()[2*i:])
			if want := int(math.Round(float64(code) * 255 / 4095)); grey != want {
				t.Fatalf("pixel %d is %d, and code %d should be %d", i, grey, code, want)
			}
			distinct[grey] = true
		}
		if len(distinct) < 3 {
			t.Errorf("the picture has %d greys only", len(distinct))
		}
		return
	}
}

// TestNumbers: rates, the timetable, the bus by phase and the events are those of the
// API.
func TestNumbers(t *testing.T) {
	t.Parallel()
	d := run(t, nil)
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	conn := d.dial(t)
	plan, err := facetdv1.NewPlanServiceClient(conn).GetPlan(limited(t), &facetdv1.GetPlanRequest{})
	if err != nil {
		t.Fatal(err)
	}
	status, err := facetdv1.NewStatusServiceClient(conn).GetStatus(limited(t), &facetdv1.GetStatusRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, task := range status.GetStatus().GetTasks() {
		name, st := task.GetTask().GetName(), task.GetStatus()
		for key, want := range map[string]float64{"requested": st.GetRequestedRateHz(),
			"planned": st.GetPlannedRateHz()} {
			if got := b.text(fmt.Sprintf(`#rates-table [data-task=%q] [data-key=%q] .num`, name,
				key)); got != fmt.Sprintf("%.2f Hz", want) {
				t.Errorf("%s: %s is %q, and the API says %v", name, key, got, want)
			}
		}
		b.waitFor(fmt.Sprintf(`Math.abs(parseFloat(document.querySelector('#rates-table [data-task=%q] [data-key="achieved"] .num').textContent) / %v - 1) < 0.1`, name, st.GetPlannedRateHz()), patience)
		for _, key := range []string{"late", "failed"} {
			if got := b.text(fmt.Sprintf(`#rates-table [data-task=%q] [data-key=%q] .num`, name, key)); got != "0" {
				t.Errorf("%s: %s is %s", name, key, got)
			}
		}
	}
	b.picture("rates", "#rates")

	b.show("timetable")
	b.waitFor(`document.getElementById('timetable-svg').getAttribute('width') > 1000`, patience) // as wide as its room
	segments := plan.GetPlan().GetTimetable().GetSegments()
	rows := 0
	for _, s := range segments {
		rows += len(s.GetTasks())
	}
	if got := eval[int](b, `document.querySelectorAll('#timetable-svg .tt-seg').length`); got != rows {
		t.Errorf("%d segments are drawn, the plan has %d", got, rows)
	}
	if got := eval[int](b, `document.querySelectorAll('#timetable-list tbody tr').length`); got != len(segments) {
		t.Errorf("%d segments are listed, the plan has %d", got, len(segments))
	}
	if got := eval[int](b, `document.querySelectorAll('#timetable-svg .tt-held').length`); got != 3*12 {
		t.Errorf("%d holds are drawn; three jobs of twelve chips hold loads", got)
	}
	// Where a segment lies is where the plan has it.
	x := eval[[]float64](b,
		`(() => { const r = [...document.querySelectorAll('.tt-seg')].map((g) => g.querySelector('rect')); const n = (e, k) => Number(e.getAttribute(k));
		return [n(r[0], 'x'), n(r.at(-1), 'x') + n(r.at(-1), 'width'), Number(document.getElementById('timetable-svg').getAttribute('width'))]; })()`)
	first, last := segments[0], segments[len(segments)-1]
	perNS := (x[1] - x[0]) / float64(last.GetEndNs()-first.GetStartNs())
	if whole := perNS * float64(plan.GetPlan().GetTimetable().GetHyperperiodNs()); math.Abs(whole-(x[2]-100)) > 2 {
		t.Errorf("the segments are drawn at %v pixels a hyperperiod, in a drawing of %v", whole, x[2]-100)
	}
	b.do(chromedp.Focus("#timetable-svg"), chromedp.KeyEvent(kb.ArrowRight))
	if got := b.text("#timetable-detail"); !strings.HasPrefix(got, "Segment 1 of") ||
		!strings.Contains(got, first.GetReads()[0]) {
		t.Errorf("the first segment by the keyboard: %q", got)
	}
	b.show("timetable")
	now := `document.querySelector('.tt-now').getAttribute('transform')`
	b.waitFor(now, patience)
	b.waitFor(fmt.Sprintf("%s !== %q", now, eval[string](b, now)), patience) // it runs
	b.picture("timetable", "#timetable")

	b.show("bus")
	// The table fills with the next status, and the measured share nears the planned one.
	cell := func(child string) string {
		return `parseFloat(document.querySelector('#bus-table [data-phase="ALL"] ` + child + `').textContent) / 100`
	}
	utilization := plan.GetPlan().GetUtilization()
	b.waitFor(fmt.Sprintf("Math.abs(%s - %v) <= 1e-3", cell("td:nth-of-type(3)"), utilization), patience)
	b.waitFor(fmt.Sprintf("Math.abs(%s - %v) < 0.05", cell("td"), utilization), patience)
	b.picture("bus", "#bus")

	events, err := facetdv1.NewEventServiceClient(conn).ListEvents(limited(t), &facetdv1.ListEventsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	b.show("events")
	b.waitFor(fmt.Sprintf(`document.querySelectorAll('#events-list li').length >= %d`, len(events.GetEvents())),
		patience)
	texts := eval[[]string](b, `[...document.querySelectorAll('#events-list .what')].map((e) => e.textContent)`)
	for _, e := range events.GetEvents() {
		if !slices.ContainsFunc(texts, func(s string) bool { return strings.Contains(s, e.GetText()) }) {
			t.Errorf("the event %q is not shown", e.GetText())
		}
	}
	b.choose("#events-filter", "SEVERITY_ERROR")
	if shown := eval[[]string](b, // a machine that stands still makes errors of its own
		`[...document.querySelectorAll('#events-list li')].filter((e) => e.hidden === (e.dataset.severity === "SEVERITY_ERROR")).
			map((e) => e.textContent)`); len(shown) != 0 {
		t.Errorf("of errors alone these are shown, or not: %q", shown)
	}
	b.choose("#events-filter", "SEVERITY_INFO")
	b.picture("events", "#events")
	b.noErrors()
}

// TestWiring: what a word reaches is what the API says, by clicks and by typing; faults
// are put in and cleared, and the probe finds them.
func TestWiring(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	conn := d.dial(t)
	reached := func() []string {
		return eval[[]string](b,
			`[...document.querySelectorAll('#wiring-table tr.reached')].map((r) => r.dataset.chip)`)
	}
	want := func(lines ...string) []string {
		t.Helper()
		got, err := facetdv1.NewArrayServiceClient(conn).ComputeReach(limited(t),
			&facetdv1.ComputeReachRequest{Lines: lines})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetWord().GetReaches()
	}
	b.click(`#wiring-table th[data-line="fw"] button`)
	b.click(`#wiring-table th[data-line="x0"] button`)
	b.click(`#wiring-table th[data-line="y0"] button`)
	b.waitFor(`document.querySelectorAll('#wiring-table tr.reached').length === 1`, patience)
	if got := reached(); !slices.Equal(got, want("fw", "x0", "y0")) || got[0] != "wall-00" {
		t.Errorf("reached %v", got)
	}
	b.fill("#wiring-lines", "fw fb x0, x1 y0")
	b.waitFor(`document.querySelectorAll('#wiring-table tr.reached').length === 4`, patience)
	if got := reached(); !slices.Equal(got, want("fw", "fb", "x0", "x1", "y0")) {
		t.Errorf("reached %v", got)
	}
	if said := b.text("#wiring-said"); !strings.Contains(said, "cannot be a readout word") {
		t.Errorf("two chips on one lane: %q", said)
	}
	b.fill("#wiring-lines", "fw, nothing")
	b.waitFor(`document.getElementById('wiring-said').dataset.kind === 'bad' && document.getElementById('wiring-said').textContent.includes('nothing')`, patience)
	b.refused()
	b.click(`#wiring-table tr[data-chip="bow-right"] button`)
	b.waitFor(`document.querySelector('#wiring-table tr[data-chip="bow-right"]').classList.contains('reached')`,
		patience)

	// An open input, put in by the page, is the bus's.
	b.choose("#fault-kind", "INPUT_OPEN_INACTIVE")
	b.choose("#fault-chip", "wall-05")
	b.choose("#fault-input", "1")
	b.click("#fault-form button")
	b.waitFor(`document.querySelectorAll('#faults-list button').length === 1`, patience)
	faults, err := facetdv1.NewFaultServiceClient(conn).ListFaults(limited(t), &facetdv1.ListFaultsRequest{})
	if err != nil || len(faults.GetFaults()) != 1 || faults.GetFaults()[0].GetChip() != "wall-05" ||
		faults.GetFaults()[0].GetInput() != 1 {
		t.Fatalf("the bus has %v, %v", faults, err)
	}
	if n := eval[int](b,
		`document.querySelectorAll('#wiring-table [data-chip="wall-05"] .dot.faulty').length`); n != 1 {
		t.Errorf("%d inputs are marked", n)
	}
	b.click("#probe")
	b.waitFor(`!document.getElementById('probe').disabled && document.getElementById('probe-report').textContent.includes('wall-05')`, patience)
	t.Logf("the probe: %s", b.text("#probe-report"))
	b.waitFor(`document.querySelector('#wiring-table tr[data-chip="wall-05"] [data-probed="silent"]') &&
		document.querySelectorAll('#wiring-table [data-probed="answers"]').length > 0`, patience)
	b.picture("wiring", "#wiring")
	b.click("#faults-list button")
	b.waitFor(`document.querySelectorAll('#faults-list button').length === 0`, patience)
	if faults, err = facetdv1.NewFaultServiceClient(conn).ListFaults(limited(t),
		&facetdv1.ListFaultsRequest{}); err != nil || len(faults.GetFaults()) != 0 {
		t.Errorf("after clearing the bus has %v, %v", faults, err)
	}
	b.noErrors()
}

// TestChange: a task is previewed, added, changed and removed; one that does not fit is
// refused with what would fit.
func TestChange(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	tasks := facetdv1.NewTaskServiceClient(d.dial(t))
	get := func() *facetdv1.Task {
		got, err := tasks.GetTask(limited(t), &facetdv1.GetTaskRequest{Name: "crown"})
		if err != nil {
			return nil
		}
		return got.GetTask().GetTask()
	}
	b.fill("#task-name", "crown")
	b.choose("#task-target", "group:crown")
	b.fill("#task-rate", "2000")
	if !eval[bool](b, `document.getElementById('apply-button').disabled`) {
		t.Error("a task can be applied without a preview")
	}
	b.click("#preview-button")
	b.waitFor(`document.querySelector('#preview .refused')`, patience)
	if said := b.text("#refusal"); !strings.Contains(said, "crown") {
		t.Errorf("the refusal says %q", said)
	}
	if !eval[bool](b, `document.getElementById('apply-button').disabled`) || get() != nil {
		t.Error("a task that does not fit can be applied")
	}
	b.picture("refusal", "#change")
	// A rate that fits, applied by its button, fits.
	if said := b.text("#fitting-rates"); !strings.Contains(said, "crown: ") ||
		!strings.Contains(said, " up to 2000 Hz") {
		t.Errorf("of the rates that fit is said %q", said)
	}
	b.click("#fitting-rates button")
	b.click("#preview-button")
	b.waitFor(`document.querySelector('#preview .fits') && !document.getElementById('apply-button').disabled`,
		patience)
	b.fill("#task-rate", "3")
	if !eval[bool](b, `document.getElementById('apply-button').disabled`) {
		t.Error("what was previewed is not what would be applied")
	}
	b.click("#preview-button")
	b.waitFor(`!document.getElementById('apply-button').disabled`, patience)
	b.picture("preview", "#change")
	if get() != nil {
		t.Error("a preview has changed the tasks")
	}
	b.click("#apply-button")
	b.waitFor(`document.querySelector('#rates-table [data-task="crown"]')`, patience)
	if got := get(); got.GetRateHz() != 3 || got.GetTarget().GetGroup() != "crown" {
		t.Errorf("the task that runs is %v", got)
	}
	b.show("events")
	b.waitFor(`document.querySelector('#events-list').textContent.includes('crown')`, patience)
	// Change it from the table.
	b.click(`#rates-table [data-task="crown"] button`)
	b.fill("#task-rate", "4")
	b.fill("#task-view0-smoothing", "2")
	b.choose("#task-view0-binrows", "2")
	b.click("#preview-button")
	b.waitFor(`!document.getElementById('apply-button').disabled`, patience)
	b.click("#apply-button")
	b.waitFor(`document.querySelector('#rates-table [data-task="crown"] [data-key="requested"] .num').textContent === '4.00 Hz'`, patience)
	if v := get().GetViews(); len(v) != 1 || v[0].GetSmoothingSteps() != 2 || v[0].GetBinning().GetRows() != 2 {
		t.Errorf("the changed task has views %v", v)
	}
	// Pause it, and let it go on: that takes no plan.
	pause, achieved := `#rates-table [data-task="crown"] button:nth-of-type(3)`,
		`document.querySelector('#rates-table [data-task="crown"] [data-key="achieved"] .num').textContent`
	b.click(pause)
	b.waitFor(achieved+` === 'paused'`, patience)
	if got := b.text(pause); got != "Resume" || !get().GetPaused() {
		t.Errorf("the button of a task that is paused says %q; %v", got, get())
	}
	b.click(pause)
	b.waitFor(achieved+` !== 'paused'`, patience)
	if got := b.text(pause); got != "Pause" || get().GetPaused() || get().GetRateHz() != 4 {
		t.Errorf("the button of a task that goes on says %q; %v", got, get())
	}
	// Remove it.
	b.click(`#rates-table [data-task="crown"] button:nth-of-type(2)`)
	b.waitFor(`!document.getElementById('apply-button').disabled`, patience)
	if get() == nil {
		t.Error("it is gone before anybody said so")
	}
	b.click("#apply-button")
	b.waitFor(`!document.querySelector('#rates-table [data-task="crown"]')`, patience)
	if get() != nil {
		t.Error("it still runs")
	}
	b.noErrors()
	// An error is the daemon's to name.
	b.fill("#task-name", "odd")
	b.choose("#task-target", "all")
	b.click("#preview-button")
	b.waitFor(`document.getElementById('change-said').dataset.kind === 'bad'`, patience)
	t.Logf("a task over all chips: %s", b.text("#change-said"))
	b.refused()
}

// recorded waits until a recording has so many frame sets.
func recorded(t *testing.T, d *daemon, name string, sets uint64) {
	t.Helper()
	ctx, client := limited(t), facetdv1.NewRecordServiceClient(d.dial(t))
	for look := time.NewTicker(20 * time.Millisecond); ; <-look.C {
		got, err := client.GetRecording(ctx, &facetdv1.GetRecordingRequest{Name: name})
		if err != nil {
			t.Fatal(err)
		}
		if got.GetRecording().GetFrameSets() >= sets {
			return
		}
	}
}

// TestCaptureAndRecord: a capture is shown, and a recording started and stopped is in the
// daemon's folder.
func TestCaptureAndRecord(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) {
		calm(t, c)
		c.Data = t.TempDir()
	})
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	// What is offered at first can be read in one capture, as it is of one class.
	b.click("#capture-button")
	b.waitFor(`document.querySelectorAll('#shots figure').length === 12`, patience)
	b.choose("#shot-target", "group:bow")
	b.click("#capture-button")
	b.waitFor(`document.querySelectorAll('#shots figure').length === 2`, patience)
	if said := b.text("#capture-said"); !strings.Contains(said, "2 frames") || !strings.Contains(said, "gap") {
		t.Errorf("the capture says %q", said)
	}
	if n := eval[int](b,
		`(() => { const c = document.querySelector('#shots canvas'); return new Set(c.getContext('2d').getImageData(0, 0, c.width, c.height).data).size; })()`); n < 5 {
		t.Errorf("the picture of the capture has %d greys", n)
	}
	b.fill("#record-name", "walk")
	b.click("#record-start")
	b.waitFor(`document.querySelector('#record-table [data-recording="walk"][data-state="RECORDING_STATE_RUNNING"]')`,
		patience)
	recorded(t, d, "walk", 20)
	b.picture("keep", "#keep")
	// Its end is in sight in every room.
	b.waitFor(`document.querySelector('#recording-list [data-recording="walk"] button')`, patience)
	for _, room := range page.Rooms {
		b.click(fmt.Sprintf(`#rooms a[data-room=%q]`, room))
		if !eval[bool](b, `(() => { scrollTo(0, 1e6);
			const r = document.querySelector("#recording-list button").getBoundingClientRect();
			return r.width > 0 && r.top >= 0 && r.bottom <= innerHeight; })()`) {
			t.Errorf("the end of the recording is out of sight in the room %s", room)
		}
	}
	b.picture("recording", "header")
	// Nothing says that it goes on after it ended.
	eval[bool](b, `(window.ends = [], new MutationObserver(() => document.getElementById("recording-list").children.length ||
		ends.push(document.querySelector('#facts [data-fact="Recording"]').textContent)).observe(
		document.getElementById("recording-said"), {childList: true, characterData: true, subtree: true}), true)`)
	b.click(`#recording-list [data-recording="walk"] button`)
	b.waitFor(`window.ends.length > 0`, patience)
	if said := eval[[]string](b, `window.ends`); said[0] != "none" {
		t.Errorf("beside the end of a recording stands: recording %s", said[0])
	}
	b.show("keep")
	b.waitFor(`document.querySelector('#record-table [data-recording="walk"][data-state="RECORDING_STATE_CLOSED"]')`,
		patience)
	got, err := facetdv1.NewRecordServiceClient(d.dial(t)).GetRecording(limited(t),
		&facetdv1.GetRecordingRequest{Name: "walk"})
	if err != nil || got.GetRecording().GetFrameSets() < 20 {
		t.Errorf("the recording: %v, %v", got, err)
	}
	b.noErrors()
}

// TestNoFolder: where there is no folder for recordings none is offered, and the page says why.
func TestNoFolder(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url()+"change", 1280, 800)
	b.show("keep")
	b.waitFor(`document.getElementById('record-form').hidden`, patience)
	if said := b.text("#record-list"); !strings.Contains(said, "started without a folder for recordings") {
		t.Errorf("the page says %q", said)
	}
	b.noErrors()
}
