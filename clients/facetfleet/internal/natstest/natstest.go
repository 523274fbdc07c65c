// Package natstest runs real nats-server processes for tests, and links to them that can be cut or hung. For tests
// only.
package natstest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"facetd.example/api/peertest"
)

// patience is how long tests wait for what comes within a second on a machine of their own: nothing is measured by it.
const patience = 2 * time.Minute

// Server is one nats-server with JetStream, as a process.
type Server struct {
	// URL is where clients find it.
	URL string
	// Config is its configuration file.
	Config string

	t       testing.TB
	cmd     *exec.Cmd
	exited  chan struct{}
	program string
	log     string
}

// Start runs a server until the test ends; more is put into its configuration. The test is skipped where there is no
// nats-server.
func Start(t testing.TB, more ...string) *Server {
	t.Helper()
	address := peertest.Address(t)
	s := prepare(t, "n1", address, more...)
	s.Run()
	s.ready()
	return s
}

// At runs a server with a configuration file that says itself where it listens.
func At(t testing.TB, address, config string) *Server {
	t.Helper()
	s := &Server{URL: "nats://" + address, Config: config, t: t, program: peertest.Program(t, "nats-server"),
		log: filepath.Join(t.TempDir(), "log")}
	t.Cleanup(s.Kill)
	s.Run()
	return s
}

// Cluster runs three servers that know each other.
func Cluster(t testing.TB) []*Server {
	t.Helper()
	var routes, addresses []string
	var servers []*Server
	for range 3 {
		routes, addresses = append(routes, peertest.Address(t)), append(addresses, peertest.Address(t))
	}
	for i := range 3 {
		servers = append(servers, prepare(t, fmt.Sprintf("n%d", i+1), addresses[i],
			fmt.Sprintf("cluster { name: fleet, listen: %q, routes: [%q, %q, %q] }", routes[i],
				"nats://"+routes[0], "nats://"+routes[1], "nats://"+routes[2])))
		servers[i].Run()
	}
	for _, s := range servers {
		s.ready()
	}
	return servers
}

func prepare(t testing.TB, name, address string, more ...string) *Server {
	t.Helper()
	dir := t.TempDir()
	s := &Server{URL: "nats://" + address, Config: filepath.Join(dir, "hub.conf"), t: t,
		program: peertest.Program(t, "nats-server"), log: filepath.Join(dir, "log")}
	text := fmt.Sprintf("listen: %q\nserver_name: %s\njetstream { store_dir: %q, max_file_store: 1GB }\n%s\n", address,
		name, filepath.Join(dir, "store"), strings.Join(more, "\n"))
	if err := os.WriteFile(s.Config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Kill)
	return s
}

// Run starts the process, also again after Kill.
func (s *Server) Run() {
	s.t.Helper()
	log, err := os.OpenFile(s.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		s.t.Fatal(err)
	}
	defer log.Close()
	s.cmd = exec.Command(s.program, "-c", s.Config)
	s.cmd.Stdout, s.cmd.Stderr = log, log
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	exited, cmd := make(chan struct{}), s.cmd
	s.exited = exited
	go func() { cmd.Wait(); close(exited) }()
}

// Kill kills the process and waits until it is gone.
func (s *Server) Kill() {
	if s.cmd == nil {
		return
	}
	s.cmd.Process.Kill()
	<-s.exited
	s.cmd = nil
}

// Hang stops the process without ending it, until Go.
func (s *Server) Hang() { s.cmd.Process.Signal(syscall.SIGSTOP) }

// Go lets a process go on that was hung.
func (s *Server) Go() { s.cmd.Process.Signal(syscall.SIGCONT) }

// Reload makes the process read its configuration again.
func (s *Server) Reload() { s.cmd.Process.Signal(syscall.SIGHUP) }

// ready waits until JetStream answers.
func (s *Server) ready() {
	s.t.Helper()
	Wait(s.t, "the hub", func() error {
		nc, err := nats.Connect(s.URL, nats.Timeout(time.Second))
		if err != nil {
			return fmt.Errorf("%w; its log:\n%s", err, s.said())
		}
		defer nc.Close()
		js, err := jetstream.New(nc, jetstream.WithDefaultTimeout(time.Second))
		if err != nil {
			return err
		}
		_, err = js.AccountInfo(s.t.Context())
		return err
	})
}

func (s *Server) said() []byte {
	said, err := os.ReadFile(s.log)
	if err != nil {
		return []byte(err.Error())
	}
	return said
}

// Wait calls something until it has no error.
func Wait(t testing.TB, what string, try func() error) {
	t.Helper()
	end := time.Now().Add(patience)
	for {
		err := try()
		if err == nil {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("%s: %v", what, err)
		}
		select {
		case <-t.Context().Done():
			t.Fatal(t.Context().Err())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// Link is a TCP link to a server that a test can cut or hang.
type Link struct {
	// URL is where clients find it.
	URL string

	mu    chan struct{} // holds one token while nobody has the state
	state state
}

type state struct {
	hung, cut bool
	changed   chan struct{}
	conns     map[net.Conn]struct{}
}

// NewLink makes a link to a server until the test ends.
func NewLink(t testing.TB, s *Server) *Link {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	link := &Link{URL: "nats://" + l.Addr().String(), mu: make(chan struct{}, 1),
		state: state{changed: make(chan struct{}), conns: map[net.Conn]struct{}{}}}
	link.mu <- struct{}{}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			link.serve(c, strings.TrimPrefix(s.URL, "nats://"))
		}
	}()
	t.Cleanup(func() { l.Close(); link.Cut(); <-done })
	return link
}

func (l *Link) with(f func(*state)) {
	<-l.mu
	f(&l.state)
	l.mu <- struct{}{}
}

func (l *Link) serve(c net.Conn, to string) {
	var cut bool
	l.with(func(s *state) { cut = s.cut })
	if cut {
		c.Close()
		return
	}
	d, err := net.Dial("tcp", to)
	if err != nil {
		c.Close()
		return
	}
	l.with(func(s *state) { s.conns[c], s.conns[d] = struct{}{}, struct{}{} })
	go l.copy(c, d)
	go l.copy(d, c)
}

func (l *Link) copy(to, from net.Conn) {
	defer to.Close()
	defer from.Close()
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		for { // while it hangs, what was read waits here and TCP holds the rest
			var hung, cut bool
			var changed chan struct{}
			l.with(func(s *state) { hung, cut, changed = s.hung, s.cut, s.changed })
			if !hung || cut {
				break
			}
			<-changed
		}
		if n > 0 {
			if _, err := to.Write(buffer[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func (l *Link) set(f func(*state)) {
	l.with(func(s *state) {
		f(s)
		close(s.changed)
		s.changed = make(chan struct{})
	})
}

// Cut ends all connections and takes no new ones, until Restore.
func (l *Link) Cut() {
	l.set(func(s *state) {
		s.cut = true
		for c := range s.conns {
			c.Close()
		}
		clear(s.conns)
	})
}

// Hang lets nothing through and ends nothing.
func (l *Link) Hang() { l.set(func(s *state) { s.hung = true }) }

// Restore makes the link good again.
func (l *Link) Restore() { l.set(func(s *state) { s.hung, s.cut = false, false }) }
