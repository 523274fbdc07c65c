package bridgetest

import (
	"bytes"
	"context"
	"net"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bridge/emulator"
)

// startEmulated starts a rig whose firmware runs on an emulated board.
func startEmulated(t testing.TB, cfg *Config) *Rig {
	t.Helper()
	qemu := peertest.Program(t, "qemu-system-arm")
	peertest.Program(t, "arm-none-eabi-gcc")
	if cfg.Mutant != 0 {
		t.Fatal("mutants are processes of this machine")
	}
	firmware := buildTarget(t, "emulated", "qemu.elf")
	dir := t.TempDir()
	path := cfg.Path
	if path == "" {
		path = filepath.Join(dir, "link")
	}
	r := &Rig{Address: "unix:" + path, Lamp: chips.NewLamp(cfg.Scene), tick: 40}
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	ahead := cfg.Ahead
	if ahead == 0 {
		ahead = emulator.Ahead
	}
	w, err := emulator.New(emulator.Config{Dir: dir, Chips: r.chips(cfg), Link: l, Ahead: max(ahead, 0),
		Heard: func(at time.Duration) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.heard = at
		}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- w.Serve(ctx) }()
	cmd := exec.Command(qemu, emulator.Machine(firmware)...)
	cmd.Dir = dir
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	r.Process = cmd.Process
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		_ = cmd.Wait()         // which tells of the kill
		cancel()
		if err := <-served; err != nil {
			t.Errorf("the world of the board: %v", err)
		}
		if said.Len() > 0 {
			t.Errorf("the emulator says:\n%s", said.String())
		}
	})
	return r
}
