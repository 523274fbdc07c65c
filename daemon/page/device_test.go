package page_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
	"facetd.example/deploy"
)

// fact is the text of a fact of the head, or nothing where it is not told.
func fact(name string) string {
	return `(document.querySelector('#facts [data-fact="` + name + `"]')?.textContent ?? "")`
}

// TestDeviceInTheHead: of an array behind a device the head tells its link and its clock, marks a device that is away
// with the reason, and then says nothing of a clock that nobody can read; when the device is back it counts the loss.
func TestDeviceInTheHead(t *testing.T) {
	t.Parallel()
	a, wrong := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	made := bridgetest.Config{Array: a, Scene: scene.Uniform(100), Path: t.TempDir() + "/link"}
	rig := bridgetest.Start(t, made)
	d := bridged(t, rig.Address)
	b := browse(t, d.url(), 1280, 800)
	b.waitFor(fact("Link")+`.startsWith("up") && `+fact("Its clock")+`.startsWith("± ")`, patience)
	if got := b.text(`#facts [data-fact="Bus"]`); got != "bridge" {
		t.Errorf("the bus is shown as %q", got)
	}
	b.picture("device", "header")
	if err := rig.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	b.waitFor(fact("Link")+`.startsWith("away since ") && `+fact("Its clock")+` === ""`, patience)
	told := eval[[]string](b, `(({textContent, dataset}) => [textContent, dataset.bad])(document.querySelector('#facts [data-fact="Link"]'))`)
	if told[1] != "true" || !strings.Contains(told[0], " UTC: ") {
		t.Errorf("a device that is away is told as %q", told)
	}
	if w := eval[int](b, `document.scrollingElement.scrollWidth`); w > 1280 {
		t.Errorf("the page is %d pixels wide", w)
	}
	b.picture("device-away", "header")
	bridgetest.Start(t, made)
	b.waitFor(fact("Link")+`.startsWith("up, lost ") && `+fact("Its clock")+`.startsWith("± ")`, patience)
}

// bridged runs a server whose array is behind a device that may still begin.
func bridged(t *testing.T, address string) *daemon {
	t.Helper()
	c := setup()
	calm(t, &c)
	c.Bus = config.BridgeTo + address
	s, err := server.New(c)
	for began := time.Now(); err != nil; s, err = server.New(c) {
		if time.Since(began) > patience || !strings.Contains(err.Error(), "device at") {
			t.Fatal(err)
		}
		time.Sleep(time.Millisecond)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	})
	return &daemon{Server: s}
}
