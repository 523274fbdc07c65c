package page_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/daemon/server"
)

// process is a daemon of its own, which can be killed.
type process struct {
	t    *testing.T
	http string
	cmd  *exec.Cmd
}

// daemonEnv, where it is set, makes this program a daemon with the demo whose page is at
// that address.
const daemonEnv = "FACETD_PAGE_DAEMON"

func serve(address string) {
	c := setup()
	c.Listen.HTTP = address
	s, err := server.New(c)
	if err == nil {
		err = s.Run(context.Background())
	}
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

func (p *process) start() {
	p.t.Helper()
	program, err := os.Executable()
	if err != nil {
		p.t.Fatal(err)
	}
	p.cmd = exec.Command(program)
	p.cmd.Env = append(os.Environ(), daemonEnv+"="+p.http)
	p.cmd.Stderr = os.Stderr
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	cmd := p.cmd
	p.t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	look, late := time.NewTicker(20*time.Millisecond), time.After(patience)
	defer look.Stop()
	for {
		if resp, err := http.Get("http://" + p.http + "/healthz"); err == nil {
			_, _ = io.Copy(io.Discard, resp.Body)
			resp.Body.Close()
			if resp.StatusCode == http.StatusOK {
				return
			}
		}
		select {
		case <-look.C:
		case <-late:
			p.t.Fatalf("the daemon does not run after %v", patience)
		}
	}
}

// watchLink notes in the page when the state of its connection or the number of stale pictures changes, so that what is
// measured does not have the way to the browser in it, and how late the page's own timer came and when: on a machine
// that others keep busy a page waits for the processor.
const watchLink = `(() => {
	window.changes = [];
	new MutationObserver(() => changes.push([document.getElementById("link").dataset.state, Date.now()]))
		.observe(document.getElementById("link"), { attributes: true, attributeFilter: ["data-state"] });
	window.waits = [];
	const every = 20;
	let last = performance.now(), stale = 0;
	setInterval(() => {
		const now = document.querySelectorAll('.tile[data-state="stale"]').length;
		if (now !== stale) changes.push(["stale " + now, Date.now()]);
		stale = now;
		const late = performance.now() - last - every;
		if (late > every) waits.push([Date.now(), late]);
		last = performance.now();
	}, every);
	return true;
})()`

// changed is how long after an instant the connection came to a state.
func (b *tab) changed(state string, since time.Time) time.Duration {
	b.t.Helper()
	// On a busy machine all pictures may be stale before, and stay it.
	b.waitFor(fmt.Sprintf(`changes.some(([s, at]) => s === %q && at >= %d) ||
		changes.findLast(([s]) => s.startsWith("stale"))?.[0] === %[1]q`, state, since.UnixMilli()), patience)
	at := eval[float64](b, fmt.Sprintf(`changes.find(([s, at]) => s === %q && at >= %d)?.[1] ?? %[2]d`, state,
		since.UnixMilli()))
	return time.UnixMilli(int64(at)).Sub(since)
}

// waited is how long after an instant the page had to wait for the processor until its connection came to a state.
func (b *tab) waited(state string, since time.Time) time.Duration {
	b.t.Helper()
	ms := eval[float64](b, fmt.Sprintf(`(() => {
		const until = changes.find(([s, at]) => s === %q && at >= %d)?.[1] ?? %[2]d;
		return waits.filter(([at, late]) => at >= %[2]d && at - late <= until).reduce((sum, [, late]) => sum + late, 0);
	})()`, state, since.UnixMilli()))
	return time.Duration(ms * float64(time.Millisecond))
}

// TestLostConnection: a daemon that is killed, or that stops answering without closing
// anything, is shown as lost within 2 s in which the page can run; every picture says that it is stale; and when the
// daemon is there again the page recovers by itself.
func TestLostConnection(t *testing.T) {
	t.Parallel()
	if raceDetector {
		t.Skip("as the other tests in a browser")
	}
	p := &process{t: t, http: peertest.Address(t)}
	p.start()
	b := browse(t, "http://"+p.http+"/", 1280, 800)
	b.live(19)
	eval[bool](b, watchLink)
	b.noErrors()

	lost := func(how string, since time.Time) {
		t.Helper()
		for state, limit := range map[string]time.Duration{"lost": 2 * time.Second, "stale 19": 4 * time.Second} {
			took := b.changed(state, since)
			waited := b.waited(state, since)
			t.Logf("%s: shown as %s after %v, of which the page waited %v", how, state, took.Round(time.Millisecond),
				waited.Round(time.Millisecond))
			if took-waited > limit {
				t.Errorf("%s: shown as %s only after %v, of which the page waited %v", how, state, took, waited)
			}
		}
		if said := b.text("#banner"); !strings.Contains(said, "do not act") ||
			!eval[bool](b, `document.getElementById("banner").checkVisibility()`) {
			t.Errorf("%s: the banner says %q", how, said)
		}
		if said := b.text("#chip-stamp"); !strings.Contains(said, "STALE") {
			t.Errorf("%s: the large picture says %q", how, said)
		}
	}
	recovered := func(how string, since time.Time) {
		t.Helper()
		took := b.changed("live", since)
		b.live(19)
		t.Logf("%s: connected again after %v, all pictures fresh after %v", how, took.Round(time.Millisecond),
			time.Since(since).Round(time.Millisecond))
		if !eval[bool](b, `document.getElementById("banner").hidden`) {
			t.Errorf("%s: the banner stays: %s", how, b.text("#banner"))
		}
	}

	at := time.Now()
	if err := p.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	lost("killed", at)
	_ = p.cmd.Wait()
	b.failed(2) // some tries
	b.picture("lost")
	p.start()
	recovered("started again", time.Now())
	b.takeFaults() // the browser notes each try that failed

	at = time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	lost("frozen", at)
	if err := p.cmd.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	recovered("thawed", time.Now())
	b.takeFaults()
	// Events of the daemon that was started again are shown, from their first.
	b.show("events")
	b.waitFor(`document.querySelectorAll('#events-list li').length >= 5`, patience)
	b.quiet()
	b.noErrors()
}
