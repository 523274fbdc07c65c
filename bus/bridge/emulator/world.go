package emulator

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bridge/wire"
)

// Machine are the arguments of qemu-system-arm for a firmware, which is to be started in the folder of the pipes. An
// instruction takes 16 ns of the board's time.
func Machine(firmware string) []string {
	return []string{"-M", "mps2-an386", "-nographic", "-monitor", "none", "-serial", "none", "-kernel", firmware,
		"-semihosting-config", "enable=on,target=native", "-icount", "shift=4,align=off,sleep=off"}
}

// Ahead is how far the board's time goes on, where nothing else is said, while its host is not heard.
const Ahead = 5 * time.Millisecond

// Config is what a world needs.
type Config struct {
	// Dir is the folder of the pipes.
	Dir   string
	Chips chips.Config
	// Link takes the connections of hosts.
	Link net.Listener
	// Ahead is how far the board's time goes on while its host is not heard: then it stands still, so that it does not
	// run away from a host that is slower. 0 never: the board runs as fast as it is emulated.
	Ahead time.Duration
	// Heard, where set, is called with the board's time when it hears of a host.
	Heard func(at time.Duration)
}

// World is the world around one board.
type World struct {
	cfg   Config
	files map[string]*os.File

	mu    sync.Mutex
	heard uint64 // the board's time when it last got something
	peers [2]*peer
	over  bool
	news  chan struct{}
	taken sync.Cond // of mu: frames of a peer were taken, a peer has lost its place, or it is over
}

// peer is a connection to the link.
type peer struct {
	conn   net.Conn
	frames [][]byte
	gone   bool
	left   bool // it has lost its place
}

// mostFrames limits what a peer may send before the board takes it: beyond, its connection waits.
const mostFrames = 64

// mostFromBoard is more than a board can send at a look, in bytes.
const mostFromBoard = 1 << 20

// New makes the pipes. Error: theirs.
func New(cfg Config) (*World, error) {
	w := &World{cfg: cfg, files: map[string]*os.File{}, news: make(chan struct{}, 1)}
	w.taken.L = &w.mu
	for _, name := range []string{"pins.out", "pins.in", "link.out", "link.in"} {
		path := filepath.Join(cfg.Dir, name)
		if err := syscall.Mkfifo(path, 0o600); err != nil && !errors.Is(err, os.ErrExist) {
			return nil, errors.Join(fmt.Errorf("pipe %s: %w", path, err), w.close())
		}
		f, err := os.OpenFile(path, os.O_RDWR, 0) // both, so that nobody waits for the other end to be opened
		if err != nil {
			return nil, errors.Join(err, w.close())
		}
		w.files[name] = f
	}
	return w, nil
}

func (w *World) close() error {
	var errs []error
	for _, f := range w.files {
		errs = append(errs, f.Close())
	}
	return errors.Join(errs...)
}

// Serve serves a board until ctx ends. Errors: what is wrong with what the board says.
func (w *World) Serve(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var all sync.WaitGroup
	var pins error
	all.Go(func() {
		defer cancel()
		pins = chips.Serve(struct {
			io.Reader
			io.Writer
		}{w.files["pins.out"], w.files["pins.in"]}, w.cfg.Chips)
	})
	all.Go(func() { w.accept(&all) })
	stop := context.AfterFunc(ctx, func() {
		_ = errors.Join(w.close(), w.cfg.Link.Close()) // which ends who waits for them
		w.disconnect()
	})
	defer stop()
	err := w.link(ctx)
	cancel()
	all.Wait()
	if errors.Is(pins, os.ErrClosed) {
		pins = nil
	}
	return errors.Join(err, pins)
}

func (w *World) disconnect() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.over = true
	w.taken.Broadcast()
	for _, p := range w.peers {
		if p != nil {
			_ = p.conn.Close() // it is over
		}
	}
}

// accept takes connections. Who comes third takes the place of the second.
func (w *World) accept(all *sync.WaitGroup) {
	for {
		conn, err := w.cfg.Link.Accept()
		if err != nil {
			return
		}
		p := &peer{conn: conn}
		w.mu.Lock()
		i := 0
		if w.peers[0] != nil {
			i = 1
		}
		before := w.peers[i]
		w.peers[i] = p
		if before != nil {
			before.left = true
			w.taken.Broadcast()
			_ = before.conn.Close()
		}
		over := w.over
		w.mu.Unlock()
		if over { // it came just before the listener was closed
			_ = conn.Close()
			return
		}
		all.Go(func() { w.read(p) })
	}
}

// read reads the frames of a peer until it ends.
func (w *World) read(p *peer) {
	for {
		f, err := wire.ReadStream(p.conn)
		var b []byte
		if err == nil {
			b = append(wire.Append(nil, f.Header), f.Payload...)
		}
		w.mu.Lock()
		p.gone = err != nil
		if err == nil {
			p.frames = append(p.frames, b)
		}
		w.mu.Unlock()
		w.notify()
		if err != nil {
			return
		}
		w.mu.Lock()
		for len(p.frames) > mostFrames && !p.left && !w.over {
			w.taken.Wait() // the board stands still; what is sent waits in the connection
		}
		w.mu.Unlock()
	}
}

func (w *World) notify() {
	select {
	case w.news <- struct{}{}:
	default: // it will look anyhow
	}
}

// link answers the board's looks at its link.
func (w *World) link(ctx context.Context) error {
	in, out := w.files["link.out"], w.files["link.in"]
	if _, err := out.Write(binary.LittleEndian.AppendUint32(nil, rand.Uint32()|1)); err != nil { // the boot
		return err
	}
	ahead := uint64(w.cfg.Ahead / tick)
	for {
		head := make([]byte, 13)
		if _, err := io.ReadFull(in, head); err != nil {
			return over(ctx, err)
		}
		now := binary.LittleEndian.Uint64(head)
		size := binary.LittleEndian.Uint32(head[9:])
		if size > mostFromBoard {
			return fmt.Errorf("the board says that it sends %d bytes", size)
		}
		frames := make([]byte, size)
		if _, err := io.ReadFull(in, frames); err != nil {
			return over(ctx, err)
		}
		if err := w.send(frames); err != nil {
			return err
		}
		answer := w.fetch(now)
		for len(answer) == 0 && (w.alone() || ahead > 0 && now-w.heard > ahead) {
			select {
			case <-w.news:
			case <-ctx.Done():
				return nil
			}
			answer = w.fetch(now)
		}
		if _, err := out.Write(append(answer, 0, 0, 0)); err != nil {
			return over(ctx, err)
		}
	}
}

// tick is that of the board's clock.
const tick = 40 * time.Nanosecond

// over is nil for what ends as ctx has.
func over(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

func (w *World) alone() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.peers[0] == nil && w.peers[1] == nil
}

// send sends what the board has for its peers: frames, each behind its peer and length.
func (w *World) send(frames []byte) error {
	for len(frames) > 0 {
		n := 0
		if len(frames) >= 3 {
			n = int(binary.LittleEndian.Uint16(frames[1:]))
		}
		if len(frames) < 3+n || int(frames[0]) >= len(w.peers) || n < wire.HeaderSize {
			return fmt.Errorf("the board sends %d bytes that are no frames", len(frames))
		}
		w.mu.Lock()
		p := w.peers[frames[0]]
		w.mu.Unlock()
		if p != nil {
			b := binary.LittleEndian.AppendUint32(nil, uint32(n))
			_ = p.conn.SetWriteDeadline(time.Now().Add(10 * time.Second)) // the writing tells
			if _, err := p.conn.Write(append(b, frames[3:3+n]...)); err != nil {
				_ = p.conn.Close() // who reads from it says that it is gone
			}
		}
		frames = frames[3+n:]
	}
	return nil
}

// fetch is what has come for the board at its time now: frames, each behind its peer and length, and who is gone.
func (w *World) fetch(now uint64) []byte {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []byte
	for i, p := range w.peers {
		if p == nil {
			continue
		}
		for _, b := range p.frames {
			out = binary.LittleEndian.AppendUint16(append(out, byte(i)), uint16(len(b)))
			out = append(out, b...)
		}
		p.frames = nil
		w.taken.Broadcast()
		if p.gone {
			out = binary.LittleEndian.AppendUint16(append(out, byte(i)), 0xffff)
			w.peers[i] = nil
		}
	}
	if len(out) > 0 {
		w.heard = now
		if w.cfg.Heard != nil {
			w.cfg.Heard(time.Duration(now) * tick)
		}
	}
	return out
}
