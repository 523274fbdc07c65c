package chips

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"time"

	"facetd.example/bus/bridge/wire"
)

// Serve answers a board on a connection until that ends. The chips are switched on when the board says hello. Errors:
// what is wrong with what the board says, or the connection; nil when the board has hung up.
func Serve(conn io.ReadWriter, cfg Config) error {
	in, out := bufio.NewReaderSize(conn, 1<<16), bufio.NewWriterSize(conn, 1<<16)
	b := make([]byte, wire.PinHelloSize)
	if _, err := io.ReadFull(in, b); err != nil {
		return hungUp(err)
	}
	var h wire.PinHello
	if _, err := wire.Take(b, &h); err != nil {
		return err
	}
	if h.Major != wire.Major || h.TickNs == 0 {
		return fmt.Errorf("the board speaks version %d of the pins' protocol, with a tick of %d ns; this is version %d",
			h.Major, h.TickNs, wire.Major)
	}
	s, err := New(cfg, time.Duration(h.TickNs))
	if err != nil {
		return err
	}
	var codes []uint16
	b = make([]byte, wire.PinEventSize)
	for {
		if in.Buffered() < wire.PinEventSize {
			if err := out.Flush(); err != nil {
				return err
			}
		}
		if _, err := io.ReadFull(in, b); err != nil {
			return hungUp(err)
		}
		var e wire.PinEvent
		if _, err := wire.Take(b, &e); err != nil {
			return err
		}
		if e.Kind == wire.PinLook {
			if _, err := out.Write(s.Look(nil, &e)); err != nil {
				return err
			}
			continue
		}
		codes = s.Do(codes[:0], &e)
		for _, c := range codes {
			if _, err := out.Write([]byte{byte(c), byte(c >> 8)}); err != nil {
				return err
			}
		}
	}
}

// hungUp is nil for the end of a connection.
func hungUp(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}
