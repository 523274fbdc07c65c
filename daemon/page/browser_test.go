package page_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"go.uber.org/goleak"
	"go.uber.org/zap"

	"facetd.example/api/peertest"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
	"facetd.example/deploy"
)

// artifactsEnv names a folder that keeps a picture of every part.
const artifactsEnv = "FACETD_ARTIFACTS"

// daemon is a running server.
type daemon struct {
	*server.Server
	stop func()
}

// setup is that of a server with the demo on free ports, in plain light: the demo's own
// takes as long to paint as a page to load.
func setup() server.Setup {
	c := server.Setup{Config: config.Default()}
	c.Listen = config.Listen{GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0"}
	c.Scene, c.Logger, c.Version = "uniform:200", zap.NewNop(), "test"
	c.MaxLag = 0 // a busy machine makes the bus late, and no job fails for it
	return c
}

// run runs a server with the demo in real time; change may change its configuration.
func run(t *testing.T, change func(*server.Setup)) *daemon {
	t.Helper()
	if raceDetector {
		t.Skip("the simulated chips are slower than real time under the race detector")
	}
	c := setup()
	if change != nil {
		change(&c)
	}
	s, err := server.New(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	d := &daemon{Server: s, stop: sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	})}
	t.Cleanup(d.stop)
	return d
}

// calm gives the demo's tasks two frame sets a second each, for tests of parts that show no
// frames: a page takes a processor for every picture that it draws, seen or not.
func calm(t *testing.T, c *server.Setup) {
	t.Helper()
	c.Tasks = filepath.Join(t.TempDir(), "tasks.yaml")
	text := regexp.MustCompile(`rate_hz: \d+`).ReplaceAll(deploy.CrawlerTasks, []byte("rate_hz: 2"))
	if err := os.WriteFile(c.Tasks, text, 0o600); err != nil {
		t.Fatal(err)
	}
}

// tab is one tab of a browser.
type tab struct {
	t   *testing.T
	ctx context.Context

	mu     sync.Mutex
	faults []string // errors of the console, of scripts, and breaches of the page's policy
	noted  chan struct{}
}

// browser is the browser of all tests; each has a profile of its own in it.
var browser struct {
	once sync.Once
	ctx  context.Context
	err  error
	stop func()
}

// TestMain stops the browser where a test started it. It is also the daemon that
// TestLostConnection kills.
func TestMain(m *testing.M) {
	if address := os.Getenv(daemonEnv); address != "" {
		serve(address)
	}
	peertest.Parallel(3) // they wait for much, and a browser takes a processor and more
	code := m.Run()
	bridgetest.Clean()
	if browser.stop != nil {
		browser.stop()
	}
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

// withoutWindows are features of the browser that nobody here sees: chromium makes a page of
// its own for the suggestions below every window's address, and keeps a process ready for the
// next site. Each takes as long to begin with as the page that is tested.
const withoutWindows = "Translate,WebUIOmniboxPopup,WebUIOmniboxAimPopup,SpareRendererForSitePerProcess"

// startBrowser starts it with the process that draws for all pages as a part of the browser's own: a tenth of the
// processor's time is what the two have to say to each other.
func startBrowser(program string) {
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program), chromedp.NoSandbox,
		chromedp.Flag("disable-gpu", true), chromedp.Flag("in-process-gpu", true),
		chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.Flag("enable-unsafe-swiftshader", true), // WebGL in software, for the panorama
		chromedp.Flag("disable-features", withoutWindows), chromedp.IgnoreCertErrors)
	base, stop := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, cancel := chromedp.NewContext(base)
	browser.stop = func() {
		cancel()
		stop()
	}
	browser.ctx, browser.err = ctx, chromedp.Do(ctx)
}

// browse opens a page in a window and a profile of its own. With headers, they go along
// with every request, as a password that the browser has been told would.
func browse(t *testing.T, url string, width, height int, headers ...string) *tab {
	t.Helper()
	program := peertest.Program(t, "chromium")
	browser.once.Do(func() { startBrowser(program) })
	if browser.err != nil {
		t.Fatal(browser.err)
	}
	ctx, cancel := chromedp.NewContext(browser.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	ctx, late := context.WithTimeout(ctx, 5*time.Minute)
	t.Cleanup(late)
	b := &tab{t: t, ctx: ctx, noted: make(chan struct{}, 1)}
	said := chromedp.Console(ctx)
	go func() {
		for m, err := range said {
			if err != nil {
				return
			}
			if m.Type != "log" && m.Type != "info" && m.Type != "debug" {
				b.fault(fmt.Sprintf("%s: %s", m.Type, m.Text))
			}
		}
	}()
	b.do(chromedp.EmulateViewport(int64(width), int64(height)))
	// Of several windows one alone has the keyboard; each page is to believe that it has.
	if _, err := chromedp.Call(ctx, emulation.SetFocusEmulationEnabled,
		emulation.SetFocusEmulationEnabledParams{Enabled: true}); err != nil {
		t.Fatal(err)
	}
	b.headers(headers...)
	b.do(chromedp.Navigate(url))
	return b
}

// headers go along with every request from now on.
func (b *tab) headers(pairs ...string) {
	b.t.Helper()
	all := network.Headers{}
	for i := 0; i < len(pairs); i += 2 {
		all[pairs[i]] = pairs[i+1]
	}
	if _, err := chromedp.Call(b.ctx, network.Enable, network.EnableParams{}); err != nil {
		b.t.Fatal(err)
	}
	if _, err := chromedp.Call(b.ctx, network.SetExtraHTTPHeaders,
		network.SetExtraHTTPHeadersParams{Headers: all}); err != nil {
		b.t.Fatal(err)
	}
}

func (b *tab) fault(what string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, what)
	select {
	case b.noted <- struct{}{}:
	default: // whoever waits looks anyway
	}
}

// failed waits until the browser has complained several times.
func (b *tab) failed(times int) {
	b.t.Helper()
	for late := time.After(patience); ; {
		b.mu.Lock()
		n := len(b.faults)
		b.mu.Unlock()
		if n >= times {
			return
		}
		select {
		case <-b.noted:
		case <-late:
			b.t.Fatalf("the browser complained %d times of %d", n, times)
		}
	}
}

// takeFaults returns what went wrong until now, and forgets it.
func (b *tab) takeFaults() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	all := b.faults
	b.faults = nil
	return all
}

// refused waits until the browser has noted that a call was refused, and forgets it.
func (b *tab) refused() {
	b.t.Helper()
	b.failed(1)
	b.takeFaults()
}

// noErrors fails the test where the browser complained.
func (b *tab) noErrors() {
	b.t.Helper()
	for _, f := range b.takeFaults() {
		b.t.Errorf("the browser says: %s", f)
	}
}

func (b *tab) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, actions...); err != nil {
		b.t.Fatal(err)
	}
}

// eval evaluates an expression in the page; promises are awaited.
func eval[T any](b *tab, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// patience is how long tests wait for what comes within a second on a machine of their own:
// nothing is measured by it.
const patience = 2 * time.Minute

// waitFor waits until an expression is true in the page; it is real time that passes.
func (b *tab) waitFor(expression string, limit time.Duration) {
	b.t.Helper()
	came := eval[bool](b, fmt.Sprintf(`(async () => {
		for (const end = performance.now() + %d; performance.now() < end; await new Promise((next) => setTimeout(next, 20))) {
			if (%s) return true;
		}
		return false;
	})()`, limit.Milliseconds(), expression))
	if !came {
		b.picture("failed-" + strings.ReplaceAll(b.t.Name(), "/", "-"))
		b.t.Fatalf("after %v still not: %s", limit, expression)
	}
}

// drawn waits until the page has drawn twice, and so at least once with all that was done.
func (b *tab) drawn() {
	b.t.Helper()
	eval[bool](b, `new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))`)
}

// quiet waits until the page has heard from the daemon several times more, for what may
// come late.
func (b *tab) quiet() {
	b.t.Helper()
	for range 3 {
		was := b.text(`#facts [data-fact="Bus time"]`)
		b.waitFor(fmt.Sprintf(`document.querySelector('#facts [data-fact="Bus time"]').textContent !== %q`, was),
			patience)
	}
}

// text is the text of the first element that a selector finds.
func (b *tab) text(selector string) string {
	b.t.Helper()
	return eval[string](b, fmt.Sprintf("document.querySelector(%q).textContent", selector))
}

func (b *tab) theme(name string) {
	b.t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}},
	})
	if err != nil {
		b.t.Fatal(err)
	}
	b.drawn() // canvases, too
}

// picture keeps a picture of the whole page, or of the part that a selector finds, in
// light and in dark.
func (b *tab) picture(name string, selector ...string) {
	b.t.Helper()
	dir := os.Getenv(artifactsEnv)
	if dir == "" {
		return
	}
	for _, theme := range []string{"light", "dark"} {
		b.theme(theme)
		png, err := chromedp.Run(b.ctx, b.shot(selector...))
		if err != nil {
			b.t.Fatal(err)
		}
		path := filepath.Join(dir, fmt.Sprintf("page-%s-%s.png", name, theme))
		if err := os.WriteFile(path, png, 0o644); err != nil {
			b.t.Fatal(err)
		}
		b.t.Logf("picture %s", path)
	}
}

// shot takes the picture of the whole page or of a part, beyond what the window shows.
// The part is brought into the window first, since nothing is drawn where nobody looks.
func (b *tab) shot(selector ...string) chromedp.Action[[]byte] {
	if len(selector) == 0 {
		return chromedp.FullScreenshot(100)
	}
	b.enter(selector[0])
	at := eval[[]float64](b, fmt.Sprintf(`(async () => {
		const node = document.querySelector(%q);
		node.scrollIntoView({behavior: "instant"});
		await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
		const r = node.getBoundingClientRect();
		const tall = node === document.body ? innerHeight : r.height; // of the page as a whole what a window shows
		return [r.left + scrollX, r.top + scrollY, r.width, tall];
	})()`, selector[0]))
	return func(ctx context.Context, _ *chromedp.Target) ([]byte, error) {
		got, err := chromedp.Call(ctx, cdpage.CaptureScreenshot, cdpage.CaptureScreenshotParams{
			Format: cdpage.CaptureScreenshotFormatPng, CaptureBeyondViewport: new(true),
			Clip: &cdpage.Viewport{X: at[0], Y: at[1], Width: at[2], Height: at[3], Scale: 1},
		})
		return got.Data, err
	}
}

// enter goes to a room in which stands what a selector finds, as a person does who looks for it.
func (b *tab) enter(selector string) {
	b.t.Helper()
	eval[bool](b, fmt.Sprintf(`(() => {
		const rooms = document.querySelector(%q)?.closest("[data-rooms]")?.dataset.rooms.split(" ");
		if (rooms && !rooms.includes(document.body.dataset.room)) {
			document.querySelector('#rooms a[data-room="' + rooms[0] + '"]').click();
		}
		return true;
	})()`, selector))
}

// choose sets a <select> as a person would.
func (b *tab) choose(selector, value string) {
	b.t.Helper()
	b.enter(selector)
	eval[bool](b, fmt.Sprintf(`(() => {
		const box = document.querySelector(%q);
		box.value = %q;
		box.dispatchEvent(new Event("change", {bubbles: true}));
		return box.value === %[2]q;
	})() || Promise.reject(new Error("no such choice"))`, selector, value))
}

// fill replaces what stands in a field, by typing.
func (b *tab) fill(selector, value string) {
	b.t.Helper()
	b.enter(selector)
	eval[bool](b,
		fmt.Sprintf(`(() => { const box = document.querySelector(%q); box.focus(); box.select(); return true; })()`,
			selector))
	if value == "" {
		b.do(chromedp.KeyEvent(kb.Delete))
		return
	}
	b.do(chromedp.KeyEvent(value))
}

// show brings a part into the window.
func (b *tab) show(id string) {
	b.t.Helper()
	b.enter("#" + id)
	eval[bool](b, fmt.Sprintf(`(document.getElementById(%q).scrollIntoView(), true)`, id))
}

// click clicks as a person does. A table that is drawn anew between finding a button and
// clicking it takes the button away; then the new one is clicked.
func (b *tab) click(selector string) {
	b.t.Helper()
	b.enter(selector)
	for try := 0; ; try++ {
		eval[bool](b,
			fmt.Sprintf(`(document.querySelector(%q).scrollIntoView({block: "center", behavior: "instant"}), true)`,
				selector))
		err := chromedp.Do(b.ctx, chromedp.Click(selector))
		if err == nil {
			return
		}
		if try == 20 || !strings.Contains(err.Error(), "Could not find node") {
			b.t.Fatal(err)
		}
	}
}
