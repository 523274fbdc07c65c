package firmware

import (
	"fmt"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/bus/bridge/bridgetest"
)

// build makes a target of the Makefile, without optimization, and returns its path and what the build printed.
func build(t *testing.T, target string) (path, said string) {
	t.Helper()
	peertest.Program(t, "cc")
	bridgetest.Sources(t, ".")
	out := t.TempDir()
	text, err := exec.Command(peertest.Program(t, "make"), "-s", target, "OUT="+out, "OPTIMIZE=-O0").CombinedOutput()
	if err != nil {
		t.Fatalf("make %s: %v\n%s", target, err, text)
	}
	return filepath.Join(out, target), string(text)
}

// What the core may take on a board: the rest of 32 kB of text and 64 kB of RAM is for the board's layer.
const (
	mostText = 24 << 10
	mostRAM  = 40 << 10
)

// TestSizes: the core is small enough for a microcontroller. This machine's code is not that of one, but comparable.
func TestSizes(t *testing.T) {
	_, said := build(t, "sizes")
	text, ram := 0, 0
	for _, row := range regexp.MustCompile(`(?m)^ *(\d+)\s+(\d+)\s+(\d+)\s+\d+`).FindAllStringSubmatch(said, -1) {
		n := make([]int, len(row))
		for i := range row[1:] {
			n[i], _ = strconv.Atoi(row[i+1]) // they are digits
		}
		text, ram = text+n[0], ram+n[1]+n[2]
	}
	t.Logf("%d bytes of text, %d of RAM", text, ram)
	if text == 0 || ram == 0 || text > mostText || ram > mostRAM {
		t.Errorf("%d bytes of text and %d of RAM; %d and %d are allowed:\n%s", text, ram, mostText, mostRAM, said)
	}
}

// TestFuzz: the core under random and mutated frames, with sanitizers; what must hold whatever comes is checked there.
func TestFuzz(t *testing.T) {
	path, _ := build(t, "fuzz")
	inputs, seed := peertest.Cases(20_000, 3_000_000), rand.Uint32N(1_000_000)
	text, err := exec.Command(path, strconv.Itoa(inputs), strconv.Itoa(int(seed))).CombinedOutput()
	if err != nil {
		t.Fatalf("seed %d: %v\n%s", seed, err, text)
	}
	var done, frames, programs, events, whole, late, recalled int
	if _, err := fmt.Sscanf(string(text), "%d inputs, %d frames, %d programs, %d pin events, runs %d %d %d", &done,
		&frames, &programs, &events, &whole, &late, &recalled); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	t.Logf("seed %d: %s", seed, text)
	var pins, others, marks, edges int
	if _, last, found := strings.Cut(string(text), ", pins "); found {
		_, _ = fmt.Sscanf(last, "%d times, for others %d times, marks %d, edges %d", &pins, &others, &marks,
			&edges) // what is missing is 0
	}
	if others == 0 || edges == 0 || marks == 0 && inputs > 100_000 {
		t.Errorf("seed %d: nothing was marked, or told of the rest of a robot: %s", seed, text)
	}
	if pins == 0 || done != inputs || programs == 0 || events == 0 || whole == 0 || recalled == 0 {
		t.Errorf("seed %d: hardly anything was tried: %s", seed, text)
	}
}
