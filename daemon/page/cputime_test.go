package page_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/daemon/server"
)

// ticksPerSecond is the unit of processor times in /proc: 100 on every Linux in use (from memory).
const ticksPerSecond = 100

// browserTime is the processor time that the browser of the tests has taken, all of its processes: those that descend
// from this one.
func browserTime(t *testing.T) time.Duration {
	t.Helper()
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil || len(stats) == 0 {
		t.Skip("processes are not told here as Linux does")
	}
	type process struct {
		parent, ticks int
	}
	all := map[int]process{}
	for _, path := range stats {
		data, err := os.ReadFile(path)
		if err != nil {
			continue // it has ended
		}
		// What stands in brackets may hold anything.
		text := string(data)
		fields := strings.Fields(text[strings.LastIndexByte(text, ')')+1:])
		pid, _ := strconv.Atoi(strings.Fields(text)[0])
		parent, _ := strconv.Atoi(fields[1])
		user, _ := strconv.Atoi(fields[11])
		system, _ := strconv.Atoi(fields[12])
		all[pid] = process{parent, user + system}
	}
	sum := 0
	for pid, p := range all {
		for up := p.parent; up > 1; up = all[up].parent {
			if up == os.Getpid() && pid != up {
				sum += p.ticks
				break
			}
		}
	}
	return time.Duration(sum) * time.Second / ticksPerSecond
}

// TestBrowserTime: pictures of 64 chips at 30 Hz, without the panorama, take less than half a processor of the browser.
func TestBrowserTime(t *testing.T) {
	if !peertest.All() { // a machine of its own, and 20 s
		t.Skip("asked for by FACETD_CASES=all")
	}
	d := run(t, func(c *server.Setup) { square(t, c, 64, 30) })
	b := browse(t, d.url(), 1280, 800)
	b.live(64)
	const over = 20 * time.Second
	before, begun := browserTime(t), time.Now()
	eval[bool](b, fmt.Sprintf(`new Promise((done) => setTimeout(() => done(true), %d))`, over.Milliseconds()))
	took, passed := browserTime(t)-before, time.Since(begun)
	part := took.Seconds() / passed.Seconds()
	said := eval[string](b, `document.getElementById("drawn").textContent`)
	t.Logf("%v of processor time in %v: %.2f of a processor. %s", took, passed.Round(time.Millisecond), part, said)
	if part >= 0.5 {
		t.Errorf("the browser takes %.2f of a processor", part)
	}
}
