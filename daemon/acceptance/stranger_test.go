package acceptance

import (
	"bytes"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"time"

	"golang.org/x/net/http2"
	"golang.org/x/net/http2/hpack"
)

// stranger is a connection to the gRPC port of somebody who keeps to HTTP/2 and to nothing else: it writes what it
// likes as long as it may.
type stranger struct {
	conn net.Conn
	fr   *http2.Framer
	enc  *hpack.Encoder
	buf  bytes.Buffer // of enc
	next uint32       // stream

	mu      sync.Mutex
	more    *sync.Cond
	window  int64 // of the connection
	initial int64 // of a new stream
	windows map[uint32]int64
	broken  error
}

// newStranger connects with TLS and greets; it leaves at an instant.
func newStranger(address string, how *tls.Config, until time.Time) (*stranger, error) {
	d := tls.Dialer{NetDialer: &net.Dialer{Timeout: patience}, Config: how}
	conn, err := d.Dial("tcp", address)
	if err != nil {
		return nil, err
	}
	_ = conn.SetDeadline(until)
	s := &stranger{conn: conn, fr: http2.NewFramer(conn, conn), next: 1, window: 65535, initial: 65535,
		windows: map[uint32]int64{}}
	s.more = sync.NewCond(&s.mu)
	s.enc = hpack.NewEncoder(&s.buf)
	if _, err = io.WriteString(conn, http2.ClientPreface); err == nil {
		err = s.fr.WriteSettings()
	}
	if err != nil {
		conn.Close()
		return nil, err
	}
	go s.read()
	return s, nil
}

// read keeps the windows until the connection ends.
func (s *stranger) read() {
	for {
		f, err := s.fr.ReadFrame()
		s.mu.Lock()
		switch f := f.(type) {
		case *http2.WindowUpdateFrame:
			if f.StreamID == 0 {
				s.window += int64(f.Increment)
			} else if _, open := s.windows[f.StreamID]; open {
				s.windows[f.StreamID] += int64(f.Increment)
			}
		case *http2.SettingsFrame:
			if v, has := f.Value(http2.SettingInitialWindowSize); has {
				for id := range s.windows {
					s.windows[id] += int64(v) - s.initial
				}
				s.initial = int64(v)
			}
		case *http2.RSTStreamFrame:
			delete(s.windows, f.StreamID)
		case *http2.GoAwayFrame:
			err = errors.New("sent away")
		}
		if err != nil {
			s.broken = err
			s.more.Broadcast()
			s.mu.Unlock()
			s.conn.Close()
			return
		}
		s.more.Broadcast()
		s.mu.Unlock()
	}
}

// call begins a call, with more headers if they are given as pairs.
func (s *stranger) call(method string, headers ...string) (stream uint32, err error) {
	s.buf.Reset()
	field := func(name, value string) {
		if e := s.enc.WriteField(hpack.HeaderField{Name: name, Value: value}); e != nil {
			err = e
		}
	}
	for _, f := range [][2]string{{":method", "POST"}, {":scheme", "https"}, {":path", method},
		{":authority", "robot"}, {"content-type", "application/grpc"}, {"te", "trailers"}} {
		field(f[0], f[1])
	}
	for i := 0; i+1 < len(headers); i += 2 {
		field(headers[i], headers[i+1])
	}
	if err != nil {
		return 0, err
	}
	id := s.next
	s.next += 2
	s.mu.Lock()
	s.windows[id] = s.initial
	s.mu.Unlock()
	const most = 16 << 10 // bytes of a frame
	block := bytes.Clone(s.buf.Bytes())
	first := block[:min(most, len(block))]
	err = s.fr.WriteHeaders(http2.HeadersFrameParam{StreamID: id, BlockFragment: first,
		EndHeaders: len(first) == len(block)})
	for block = block[len(first):]; len(block) > 0 && err == nil; {
		part := block[:min(most, len(block))]
		block = block[len(part):]
		err = s.fr.WriteContinuation(id, len(block) == 0, part)
	}
	return id, err
}

// pour writes into all open streams what their windows allow, at most as many bytes as a message may have and never the
// last one, until nothing more may be written for a while or the connection ends. It returns how many bytes went.
func (s *stranger) pour(message int, patience time.Duration) (total int, err error) {
	sent := map[uint32]int{}
	chunk := make([]byte, 16<<10)
	timer := time.AfterFunc(patience, func() { s.more.Broadcast() })
	defer timer.Stop()
	for until := time.Now().Add(patience); ; {
		s.mu.Lock()
		var id uint32
		var n int
		for time.Now().Before(until) && s.broken == nil {
			for of, window := range s.windows {
				if left := message - 1 - sent[of]; s.window > 0 && window > 0 && left > 0 {
					id, n = of, int(min(s.window, window, int64(left), int64(len(chunk))))
					break
				}
			}
			if n > 0 {
				s.window -= int64(n)
				s.windows[id] -= int64(n)
				break
			}
			s.more.Wait()
		}
		err := s.broken
		s.mu.Unlock()
		if n == 0 {
			return total, err
		}
		if sent[id] == 0 { // how long the message is said to be
			size := message - 5
			copy(chunk, []byte{0, byte(size >> 24), byte(size >> 16), byte(size >> 8), byte(size)})
		}
		if err := s.fr.WriteData(id, false, chunk[:n]); err != nil {
			return total, err
		}
		sent[id] += n
		total += n
	}
}

func (s *stranger) close() { s.conn.Close() }

// The kinds of attack. Each goes on until its connection ends or it has nothing more to do; whoever calls it begins
// again.
var attacks = map[string]func(a *attack) error{
	"bodies":     (*attack).bodies,
	"headers":    (*attack).headers,
	"calls":      (*attack).calls,
	"idle":       (*attack).idle,
	"handshakes": (*attack).handshakes,
	"dribbles":   (*attack).dribbles,
	"posts":      (*attack).posts,
	"connects":   (*attack).connects,
}

// attack is one of those who attack.
type attack struct {
	grpc, http string
	tls        *tls.Config
	until      time.Time
}

func (a *attack) over() bool { return !time.Now().Before(a.until) }

// wait waits for the end of a connection or of the attack.
func (a *attack) wait(c net.Conn) {
	_ = c.SetReadDeadline(a.until)
	_, _ = io.Copy(io.Discard, c)
}

// bodies begins as many calls as may be and sends all of their requests but the last byte.
func (a *attack) bodies() error {
	s, err := newStranger(a.grpc, a.tls, a.until)
	if err != nil {
		return err
	}
	defer s.close()
	for range 128 {
		if _, err := s.call("/facetd.v1.TaskService/CreateTask"); err != nil {
			return err
		}
	}
	_, err = s.pour(1<<20, time.Until(a.until))
	return err
}

// headers makes calls whose headers are as long as may be, and that never end.
func (a *attack) headers() error {
	s, err := newStranger(a.grpc, a.tls, a.until)
	if err != nil {
		return err
	}
	defer s.close()
	for i := 0; !a.over(); i++ {
		if _, err := s.call("/facetd.v1.TaskService/CreateTask", "x-filler",
			strings.Repeat(fmt.Sprint(i), 50_000)[:50_000],
			"grpc-timeout", "99999999H"); err != nil {
			return err
		}
	}
	return nil
}

// calls makes calls with a wrong token as fast as it can.
func (a *attack) calls() error {
	s, err := newStranger(a.grpc, a.tls, a.until)
	if err != nil {
		return err
	}
	defer s.close()
	for !a.over() {
		if _, err := s.call("/facetd.v1.StatusService/GetStatus", "authorization", "Bearer facetd_wrong",
			"grpc-timeout",
			"99999999H"); err != nil {
			return err
		}
	}
	return nil
}

// idle greets and does nothing.
func (a *attack) idle() error {
	s, err := newStranger(a.grpc, a.tls, a.until)
	if err != nil {
		return err
	}
	defer s.close()
	for !a.over() {
		s.mu.Lock()
		broken := s.broken
		s.mu.Unlock()
		if broken != nil {
			return broken
		}
		time.Sleep(20 * time.Millisecond)
	}
	return nil
}

// handshakes connects and never greets, at either port.
func (a *attack) handshakes() error {
	for _, address := range []string{a.grpc, a.http} {
		c, err := net.Dial("tcp", address)
		if err != nil {
			return err
		}
		defer c.Close()
		if _, err := c.Write([]byte{22, 3, 1, 2, 0, 1, 0}); err != nil { // the beginning of a client's hello
			return err
		}
		defer a.wait(c)
	}
	return nil
}

// dribbles sends the headers of a request over HTTP a byte at a time.
func (a *attack) dribbles() error {
	how := a.tls.Clone()
	how.NextProtos = []string{"http/1.1"}
	c, err := tls.Dial("tcp", a.http, how)
	if err != nil {
		return err
	}
	defer c.Close()
	for _, b := range []byte("GET / HTTP/1.1\r\nHost: robot\r\nX: " + strings.Repeat("x", 4000)) {
		if _, err := c.Write([]byte{b}); err != nil || a.over() {
			return err
		}
		time.Sleep(10 * time.Millisecond)
	}
	return nil
}

// posts sends a request over HTTP whose body does not end.
func (a *attack) posts() error {
	how := a.tls.Clone()
	how.NextProtos = []string{"http/1.1"}
	c, err := tls.Dial("tcp", a.http, how)
	if err != nil {
		return err
	}
	defer c.Close()
	if _, err := io.WriteString(c, "POST /facetd.v1.StatusService/GetStatus HTTP/1.1\r\nHost: robot\r\n"+
		"Content-Type: application/json\r\nContent-Length: 100000000\r\n\r\n"); err != nil {
		return err
	}
	chunk := make([]byte, 16<<10)
	for !a.over() {
		_ = c.SetWriteDeadline(a.until)
		if _, err := c.Write(chunk); err != nil {
			return err
		}
	}
	return nil
}

// connects connects and leaves, as often as it can.
func (a *attack) connects() error {
	c, err := net.Dial("tcp", a.grpc)
	if err != nil {
		return err
	}
	return c.Close()
}
