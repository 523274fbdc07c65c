package bridge

import (
	"context"
	"errors"
	"fmt"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/wire"
)

// Prepare checks the programs, writes them in the device's form and uploads those that the device does not have. After
// a loss it connects again.
func (b *Bus) Prepare(ctx context.Context, programs []*bus.Program) error {
	if b.isClosed() {
		return bus.ErrClosed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	wanted, err := b.compileAll(programs)
	if err != nil {
		return err
	}
	if err := b.connected(ctx); err != nil {
		return err
	}
	for i, p := range programs {
		if err := b.upload(ctx, wanted, wanted[p]); err != nil {
			b.keep(ctx)
			return fmt.Errorf("program %d: %w", i, err)
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.flights {
		if c := b.programs[f.segment.Program]; c != nil && wanted[f.segment.Program] == nil {
			wanted[f.segment.Program] = c
		}
	}
	b.programs = wanted
	return nil
}

// keep brings those programs back that were ready, and have made room for others which could not be had after all. One
// that cannot be brought back is not prepared any more: its place may be that of another.
func (b *Bus) keep(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), handshakeTime)
	defer cancel()
	for p, c := range b.programs {
		b.mu.Lock()
		_, there := b.held[c.hash]
		ready := b.session != nil && c.session == b.session.number
		b.mu.Unlock()
		if !ready || there {
			continue
		}
		if err := b.upload(ctx, b.programs, c); err != nil {
			b.mu.Lock()
			delete(b.programs, p)
			b.mu.Unlock()
		}
	}
}

func (b *Bus) isClosed() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.closed
}

// compileAll writes those programs in the device's form that are not.
func (b *Bus) compileAll(programs []*bus.Program) (map[*bus.Program]*compiled, error) {
	wanted := make(map[*bus.Program]*compiled, len(programs))
	var errs []error
	size, places := 0, map[[16]byte]bool{}
	for i, p := range programs {
		c := b.programs[p]
		if c == nil {
			err := bus.CheckProgram(b.array, p)
			if err == nil {
				c, err = compile(b.array, p)
			}
			if err != nil {
				errs = append(errs, fmt.Errorf("program %d cannot run: %w", i, err))
				continue
			}
		}
		if wanted[p] = c; !places[c.hash] {
			size, places[c.hash] = size+len(c.code), true
		}
	}
	if w := &b.first; size > int(w.Store) || len(places) > int(w.Programs) {
		errs = append(errs, fmt.Errorf("the store of the device has %d bytes for %d programs, and these are %d in %d "+
			"bytes", w.Store, w.Programs, len(places), size))
	}
	return wanted, errors.Join(errs...)
}

// refusedPause is for how long a device is left alone that does not take its array until a person has done something.
const refusedPause = time.Second

// connected connects again where the device was lost. Errors: *bus.LostError.
func (b *Bus) connected(ctx context.Context) error {
	b.connecting.Lock()
	defer b.connecting.Unlock()
	b.mu.Lock()
	there, before, testing, refusal := b.session != nil, b.cut, b.testing, b.refusal
	alone := time.Now().Before(b.again)
	b.mu.Unlock()
	switch {
	case there:
		return nil
	case testing:
		return &bus.LostError{Cause: errTesting}
	case alone:
		return lostFor(before, refusal)
	}
	s, err := greet(ctx, b.address, b.as)
	if err != nil {
		return lostFor(before, err)
	}
	err = errors.Join(b.suits(&s.welcome), b.fits(&s.welcome))
	if err == nil {
		err = b.attach(ctx, s)
	}
	if err != nil {
		s.close()
		b.mu.Lock()
		if b.session != s {
			b.counted.ended(s)
		}
		b.leaveAlone(err)
		b.mu.Unlock()
		return lostFor(before, err)
	}
	b.chips.forget()
	return nil
}

// lostFor is a loss that lasts, for what is in the way now.
func lostFor(before *bus.LostError, now error) *bus.LostError {
	if before.Cause.Error() == now.Error() { // which is said once
		return before
	}
	return &bus.LostError{Cause: errors.Join(before.Cause, now)}
}

// leaveAlone leaves a device alone for a while that waits for a person. The caller holds mu.
func (b *Bus) leaveAlone(err error) {
	if errors.As(err, new(*UntestedError)) || errors.As(err, new(*PinsError)) || errors.As(err, new(*VersionError)) {
		b.refusal, b.again = err, time.Now().Add(refusedPause)
	}
}

// suits reports that a device is another than the one for which plans are made: limits do not change.
func (b *Bus) suits(w *wire.Welcome) error {
	f := &b.first
	if w.TickNs != f.TickNs || w.Ready > f.Ready || w.Release > f.Release || w.Queue < f.Queue || w.Store < f.Store ||
		w.Programs < f.Programs || w.Lines < uint8(len(b.array.Lines)) || w.Lanes < uint8(len(b.array.Lanes)) {
		return fmt.Errorf("the device at %s is another than before, with a tick of %d ns and other limits; start the "+
			"daemon again to plan for it", b.address, w.TickNs)
	}
	return nil
}

// upload brings a program to the device, where it is not there yet.
func (b *Bus) upload(ctx context.Context, wanted map[*bus.Program]*compiled, c *compiled) error {
	b.mu.Lock()
	index, there := b.held[c.hash]
	if there && b.session != nil {
		if c.session != b.session.number {
			b.record.counters.Kept++
		}
		c.index, c.session = index, b.session.number
		b.mu.Unlock()
		return nil
	}
	b.mu.Unlock()
	r, err := b.transfer(ctx, c)
	if err == nil && r.Code == wire.ReplyFull {
		if err = b.makeRoom(ctx, wanted); err == nil {
			r, err = b.transfer(ctx, c)
		}
	}
	if err != nil {
		return err
	}
	switch r.Code {
	case wire.ReplyOK:
	case wire.ReplyFull:
		return fmt.Errorf("the store of the device has %d bytes, and the programs do not fit", b.limits.StoreBytes)
	case wire.ReplyDense:
		return fmt.Errorf("the board cannot make operation %d and those before it ready as fast as they run", r.Detail)
	default:
		return fmt.Errorf("the device refuses it at operation %d (code %d)", r.Detail, r.Code)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.session == nil {
		return b.cut
	}
	c.index, c.session = r.Index, b.session.number
	b.held[c.hash] = r.Index
	b.record.counters.Uploads++
	return nil
}

// transfer sends a program in parts.
func (b *Bus) transfer(ctx context.Context, c *compiled) (wire.Reply, error) {
	const part = wire.MaxPayload - 24 // of the message before it
	for at := 0; ; at += part {
		end := min(at+part, len(c.code))
		m := wire.Program{Hash: c.hash, Length: uint32(len(c.code)), Offset: uint32(at)}
		r, err := b.ask(ctx, wire.TypeProgram, append(wire.Append(nil, m), c.code[at:end]...))
		if err != nil || r.Code != wire.ReplyMore || end == len(c.code) {
			return r, err
		}
	}
}

// makeRoom drops what the device has beside the programs that are wanted or in flight.
func (b *Bus) makeRoom(ctx context.Context, wanted map[*bus.Program]*compiled) error {
	keep := map[[16]byte]bool{}
	for _, c := range wanted {
		keep[c.hash] = true
	}
	b.mu.Lock()
	for _, f := range b.flights {
		if c := b.programs[f.segment.Program]; c != nil {
			keep[c.hash] = true
		}
	}
	drop := map[[16]byte]uint16{}
	for hash, index := range b.held {
		if !keep[hash] {
			drop[hash] = index
		}
	}
	b.mu.Unlock()
	for hash, index := range drop {
		r, err := b.ask(ctx, wire.TypeDrop, wire.Append(nil, wire.Drop{Index: index}))
		if err != nil {
			return err
		}
		if r.Code == wire.ReplyOK || r.Code == wire.ReplyUnknown {
			b.mu.Lock()
			delete(b.held, hash)
			b.mu.Unlock()
		}
	}
	return nil
}

// ask sends a message and waits for its answer.
func (b *Bus) ask(ctx context.Context, kind uint8, payload []byte) (wire.Reply, error) {
	b.mu.Lock()
	b.reply = nil
	var err error
	b.asked, err = b.sendNumbered(kind, payload)
	b.mu.Unlock()
	if err != nil {
		return wire.Reply{}, err
	}
	if err := b.await(ctx, func() bool { return b.reply != nil && b.reply.To == kind }); err != nil {
		return wire.Reply{}, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return *b.reply, nil
}
