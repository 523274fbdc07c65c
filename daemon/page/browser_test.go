package page_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"go.uber.org/zap"

	"facetd.example/api/peertest"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

// artifactsEnv names a folder that keeps a picture of every part.
const artifactsEnv = "FACETD_ARTIFACTS"

// daemon is a running server.
type daemon struct {
	*server.Server
	stop func()
}

// run runs a server with the demo in real time; change may change its configuration.
func run(t *testing.T, change func(*server.Setup)) *daemon {
	t.Helper()
	if raceDetector {
		t.Skip("the simulated chips are slower than real time under the race detector")
	}
	c := server.Setup{Config: config.Default()}
	c.Listen = config.Listen{GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0"}
	c.Logger, c.Version = zap.NewNop(), "test"
	if change != nil {
		change(&c)
	}
	var s *server.Server
	var err error
	// A port that was just given up may still be taken for a moment.
	for deadline := time.Now().Add(5 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if s, err = server.New(c); err == nil {
			break
		} else if time.Now().After(deadline) {
			t.Fatal(err)
		}
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

// tab is one tab of a browser.
type tab struct {
	t   *testing.T
	ctx context.Context

	mu     sync.Mutex
	faults []string // errors of the console, of scripts, and breaches of the page's policy
}

// browse opens a page in a browser of its own. With headers, they go along with every
// request, as a password that the browser has been told would.
func browse(t *testing.T, url string, width, height int, headers ...string) *tab {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(peertest.Program(t, "chromium")), chromedp.NoSandbox, chromedp.WindowSize(width, height),
		chromedp.Flag("disable-gpu", true), chromedp.Flag("disable-dev-shm-usage", true), chromedp.IgnoreCertErrors)
	base, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(base)
	t.Cleanup(cancel)
	ctx, late := context.WithTimeout(ctx, 3*time.Minute)
	t.Cleanup(late)
	b := &tab{t: t, ctx: ctx}
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
	if _, err := chromedp.Call(b.ctx, network.SetExtraHTTPHeaders, network.SetExtraHTTPHeadersParams{Headers: all}); err != nil {
		b.t.Fatal(err)
	}
}

func (b *tab) fault(what string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, what)
}

// takeFaults returns what went wrong until now, and forgets it.
func (b *tab) takeFaults() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	all := b.faults
	b.faults = nil
	return all
}

// sound fails the test where the browser complained.
func (b *tab) sound() {
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

// waitFor waits until an expression is true in the page; it is real time that passes.
func (b *tab) waitFor(expression string, limit time.Duration) time.Duration {
	b.t.Helper()
	begin := time.Now()
	for {
		if eval[bool](b, "!!("+expression+")") {
			return time.Since(begin)
		}
		if time.Since(begin) > limit {
			b.picture("failed-" + strings.ReplaceAll(b.t.Name(), "/", "-"))
			b.t.Fatalf("after %v still not: %s", limit, expression)
		}
		time.Sleep(20 * time.Millisecond)
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
	time.Sleep(300 * time.Millisecond) // canvases are drawn anew
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
	at := eval[[]float64](b, fmt.Sprintf(`(async () => {
		const node = document.querySelector(%q);
		node.scrollIntoView({behavior: "instant"});
		await new Promise((done) => setTimeout(done, 700));
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

// choose sets a <select> as a person would.
func (b *tab) choose(selector, value string) {
	b.t.Helper()
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
	eval[bool](b, fmt.Sprintf(`(() => { const box = document.querySelector(%q); box.focus(); box.select(); return true; })()`, selector))
	if value == "" {
		b.do(chromedp.KeyEvent(kb.Delete))
		return
	}
	b.do(chromedp.KeyEvent(value))
}

// show brings a part into the window.
func (b *tab) show(id string) {
	b.t.Helper()
	eval[bool](b, fmt.Sprintf(`(document.getElementById(%q).scrollIntoView(), true)`, id))
}

func (b *tab) click(selector string) {
	b.t.Helper()
	eval[bool](b, fmt.Sprintf(`(document.querySelector(%q).scrollIntoView({block: "center", behavior: "instant"}), true)`, selector))
	b.do(chromedp.Click(selector))
}
