package link

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"go.bug.st/serial"

	"facetd.example/bus/bridge/wire"
)

// Form is how the address of a device is written, for messages.
const Form = "serial:PATH[@BAUD], udp:HOST:PORT, tcp:HOST:PORT or unix:PATH"

// Conn is a connection over which frames go. Send is for one goroutine at a time, Receive for another.
type Conn interface {
	// Send sends one frame. Errors: the connection's; a frame that is too long.
	Send(f *wire.Frame) error
	// Receive receives the next frame. Errors: the connection's; os.ErrDeadlineExceeded.
	Receive() (wire.Frame, error)
	// SetReadDeadline limits Receive.
	SetReadDeadline(at time.Time) error
	// Lossy reports whether frames may be lost.
	Lossy() bool
	// Spoiled is how many packets came with another CRC, or none.
	Spoiled() uint64
	Close() error
}

// Drainer is a connection that takes packets long before they are on their way, as serial lines do.
type Drainer interface {
	// Drain waits until the next packet would be on its way soon: who chooses that only then lets it overtake others.
	Drain()
}

// sendTime is how long a stream may take to take a message. One that does not is broken: the device lets its host wait
// only while the host does not take what the device has.
const sendTime = time.Second

// defaultBaud is the rate of a serial line of which nothing else is said. USB has none, and takes any.
const defaultBaud = 1_000_000

// Check reports an address that is not of Form.
func Check(address string) error {
	_, _, err := split(address)
	return err
}

func split(address string) (network, where string, err error) {
	network, where, _ = strings.Cut(address, ":")
	switch network {
	case "unix":
		if where == "" {
			return "", "", fmt.Errorf("%q lacks the path of a socket", address)
		}
	case "tcp", "udp":
		if _, _, err := net.SplitHostPort(where); err != nil {
			return "", "", fmt.Errorf("%q is not an address: write %s:HOST:PORT", address, network)
		}
	case "serial":
		if _, _, err := splitBaud(where); err != nil {
			return "", "", fmt.Errorf("%q: %w", address, err)
		}
	default:
		return "", "", fmt.Errorf("%q is not a way to a device: write %s", address, Form)
	}
	return network, where, nil
}

func splitBaud(where string) (path string, baud int, err error) {
	path, rate, given := strings.Cut(where, "@")
	if path == "" {
		return "", 0, errors.New("it lacks the path of a serial port")
	}
	if !given {
		return path, defaultBaud, nil
	}
	if baud, err = strconv.Atoi(rate); err != nil || baud < 1200 || baud > 100_000_000 {
		return "", 0, fmt.Errorf("%q is no rate of a serial line in bits per second", rate)
	}
	return path, baud, nil
}

// Dial opens a connection to a device at an address of Form, within a time. Errors: the address's, the connection's.
func Dial(ctx context.Context, address string, within time.Duration) (Conn, error) {
	network, where, err := split(address)
	if err != nil {
		return nil, err
	}
	if network == "serial" {
		return dialSerial(where)
	}
	d := net.Dialer{Timeout: within} // an address that swallows everything is given up earlier than by TCP
	conn, err := d.DialContext(ctx, network, where)
	if err != nil {
		return nil, err
	}
	if network == "udp" {
		return NewDatagrams(conn), nil
	}
	return NewStream(conn), nil
}

// stream is a connection that loses nothing: each frame comes behind its length.
type stream struct {
	net.Conn
	in *bufio.Reader
}

// NewStream makes a connection of a stream.
func NewStream(conn net.Conn) Conn { return &stream{conn, bufio.NewReaderSize(conn, 1<<16)} }

func (s *stream) Send(f *wire.Frame) error {
	if err := s.SetWriteDeadline(time.Now().Add(sendTime)); err != nil {
		return err
	}
	return wire.WriteStream(s.Conn, f)
}

func (s *stream) Receive() (wire.Frame, error) {
	f, err := wire.ReadStream(s.in)
	if err == io.EOF {
		err = endedError{}
	}
	return f, err
}
func (s *stream) Lossy() bool     { return false }
func (s *stream) Spoiled() uint64 { return 0 }

// endedError is io.EOF in words, which people read as the reason why a device is away.
type endedError struct{}

func (endedError) Error() string { return "the device ended the connection" }
func (endedError) Unwrap() error { return io.EOF }

// NewDatagrams makes a connection of packets, each of which is written and read at once.
func NewDatagrams(conn net.Conn) Conn { return &datagrams{Conn: conn} }

// datagrams is a connection of packets, each a datagram.
type datagrams struct {
	net.Conn
	spoiled atomic.Uint64
}

func (d *datagrams) Send(f *wire.Frame) error {
	b, err := f.Encode(make([]byte, 0, maxPacket))
	if err != nil {
		return err
	}
	_, err = d.Write(seal(b))
	return err
}

func (d *datagrams) Receive() (wire.Frame, error) {
	for {
		b := make([]byte, maxPacket+1)
		n, err := d.Read(b)
		if err != nil {
			return wire.Frame{}, err
		}
		if f, ok := frameOf(b[:n]); ok {
			return f, nil
		}
		d.spoiled.Add(1)
	}
}

// Drain is that of the connection, where it has one.
func (d *datagrams) Drain() {
	if c, is := d.Conn.(Drainer); is {
		c.Drain()
	}
}

func (d *datagrams) Lossy() bool     { return true }
func (d *datagrams) Spoiled() uint64 { return d.spoiled.Load() }

// frameOf is the frame of a packet.
func frameOf(packet []byte) (wire.Frame, bool) {
	b, err := open(packet)
	if err != nil {
		return wire.Frame{}, false
	}
	f, err := wire.Decode(b)
	return f, err == nil
}

// line is a serial line: packets encoded by COBS, with a 0 behind each.
type line struct {
	port     serial.Port
	out      *os.File      // the same port: its driver knows no deadline for writing
	patience time.Duration // of one packet
	// packetTime is what the line takes for the longest packet.
	packetTime time.Duration
	in         *bufio.Reader
	spoiled    atomic.Uint64
	mu         sync.Mutex
	deadline   time.Time
	closed     bool
}

// lineBuffer is at most how many bytes a line's driver has to send before it takes another packet (from memory).
const lineBuffer = 8192

// glance is how often a serial line looks at its deadline: its driver knows only how long one reading may take.
const glance = 20 * time.Millisecond

func dialSerial(where string) (Conn, error) {
	path, baud, err := splitBaud(where)
	if err != nil {
		return nil, err
	}
	out, err := os.OpenFile(path, os.O_WRONLY|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("serial port %w", err)
	}
	port, err := serial.Open(path, &serial.Mode{BaudRate: baud}) // from now on for nobody else
	if err != nil {
		return nil, errors.Join(fmt.Errorf("serial port %s: %w", path, err), out.Close())
	}
	perByte := 10 * time.Second / time.Duration(baud)
	l := &line{port: port, out: out, patience: sendTime + lineBuffer*perByte, packetTime: maxPacket * perByte}
	l.in = bufio.NewReaderSize(patient{l}, 2*maxPacket)
	err = port.SetReadTimeout(glance)
	if err == nil {
		err = l.write([]byte{0}) // whatever was sent before has ended
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("serial port %s: %w", path, err), l.Close())
	}
	return l, nil
}

// patient reads from a line until something comes, or the deadline has passed.
type patient struct{ l *line }

func (p patient) Read(b []byte) (int, error) {
	for {
		p.l.mu.Lock()
		closed, deadline := p.l.closed, p.l.deadline
		p.l.mu.Unlock()
		if closed {
			return 0, net.ErrClosed
		}
		if !deadline.IsZero() && !time.Now().Before(deadline) {
			return 0, os.ErrDeadlineExceeded
		}
		if n, err := p.l.port.Read(b); n > 0 || err != nil {
			return n, err
		}
	}
}

func (l *line) SetReadDeadline(at time.Time) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.deadline = at
	return nil
}

func (l *line) Send(f *wire.Frame) error {
	b, err := f.Encode(make([]byte, 0, maxPacket))
	if err != nil {
		return err
	}
	return l.write(appendCoded(nil, seal(b)))
}

// hostQueue is how many bytes may wait in a line's driver when the next packet is given to it: as many as its hardware
// takes at once (from memory). What waits there can be overtaken by nothing.
const hostQueue = 64

// Drain waits until little is left in the line's driver, as far as that tells, and no longer than one packet takes.
func (l *line) Drain() {
	for began := time.Now(); time.Since(began) < l.packetTime; {
		n := queued(l.out)
		if n <= hostQueue {
			return
		}
		time.Sleep(min(time.Duration(n-hostQueue)*l.packetTime/maxPacket, l.packetTime))
	}
}

// write writes within the patience of the line. One that takes longer is broken, as a stream is.
func (l *line) write(b []byte) error {
	if err := l.out.SetWriteDeadline(time.Now().Add(l.patience)); err != nil {
		return err
	}
	_, err := l.out.Write(b)
	return err
}

func (l *line) Receive() (wire.Frame, error) {
	for {
		coded, err := l.in.ReadSlice(0)
		if errors.Is(err, bufio.ErrBufferFull) { // no packet is as long
			l.spoiled.Add(1)
			continue
		}
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF // a port does not end, but for a cable that was pulled
			}
			return wire.Frame{}, err
		}
		if len(coded) == 1 { // a 0 alone ends what there was before
			continue
		}
		packet, err := decode(append([]byte(nil), coded[:len(coded)-1]...))
		if err == nil {
			if f, ok := frameOf(packet); ok {
				return f, nil
			}
		}
		l.spoiled.Add(1)
	}
}

func (l *line) Lossy() bool     { return true }
func (l *line) Spoiled() uint64 { return l.spoiled.Load() }

func (l *line) Close() error {
	l.mu.Lock()
	l.closed = true
	l.mu.Unlock()
	_ = l.port.ResetOutputBuffer() // a driver would wait for a device that takes nothing
	return errors.Join(l.out.Close(), l.port.Close())
}
