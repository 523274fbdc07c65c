package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"

	"facetd.example/api/fileio"
	"facetd.example/daemon/access"
	"facetd.example/daemon/config"
)

// Addresses are where a server listens, with the ports that were taken; empty where
// it does not.
type Addresses struct {
	GRPC string // host:port
	Unix string // path
	HTTP string // host:port
	// Whether one must speak TLS there.
	GRPCOverTLS, HTTPOverTLS bool
}

// listeners are bound before anything starts.
type listeners struct {
	grpc, unix, http net.Listener
	given            net.Listener // given by the program that runs the server within itself
}

// bind opens every listener, or none, and puts the gate before each.
func bind(l config.Listen, gate *access.Gate) (*listeners, error) {
	var b listeners
	var errs []error
	open := func(into *net.Listener, field, address string, listen func(string) (net.Listener, error)) {
		if address == "" {
			return
		}
		opened, err := listen(address)
		if err == nil {
			if *into, err = gate.Listener(opened); err != nil {
				*into = nil
				_ = opened.Close() // nothing was served
			}
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("listen.%s: %w", field, err))
		}
	}
	open(&b.grpc, "grpc", l.GRPC, listenTCP)
	open(&b.unix, "unix", l.Unix, listenUnix)
	open(&b.http, "http", l.HTTP, listenTCP)
	if len(errs) > 0 {
		b.close()
		return nil, errors.Join(errs...)
	}
	return &b, nil
}

// all are the listeners that are open.
func (b *listeners) all() []net.Listener {
	var open []net.Listener
	for _, l := range []net.Listener{b.grpc, b.unix, b.http, b.given} {
		if l != nil {
			open = append(open, l)
		}
	}
	return open
}

func (b *listeners) close() {
	for _, l := range b.all() {
		_ = l.Close() // nothing was served
	}
}

func (b *listeners) addresses() Addresses {
	name := func(l net.Listener) string {
		if l == nil {
			return ""
		}
		return l.Addr().String()
	}
	return Addresses{
		GRPC: name(b.grpc), Unix: name(b.unix), HTTP: name(b.http),
		GRPCOverTLS: access.SpeaksTLS(b.grpc), HTTPOverTLS: access.SpeaksTLS(b.http),
	}
}

// listenTCP leaves it to the gate whether what a name such as localhost stands for may
// be listened on.
func listenTCP(address string) (net.Listener, error) { return net.Listen("tcp", address) }

// listenUnix takes the place of a socket that nobody listens on any more, such as
// one left behind by a daemon that was killed.
func listenUnix(path string) (net.Listener, error) {
	if err := fileio.RemoveStaleSocket(path); err != nil {
		return nil, err
	}
	// The mode of the socket before it is bound is that of its file, so that nobody else
	// can connect in the moment before the change of mode below; where the system does not
	// know that, the umask alone counts until then.
	private := net.ListenConfig{Control: func(_, _ string, c syscall.RawConn) error {
		return c.Control(func(fd uintptr) { _ = syscall.Fchmod(int(fd), 0o600) })
	}}
	l, err := private.Listen(context.Background(), "unix", path)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, 0o600); err != nil {
		_ = l.Close()
		return nil, err
	}
	return l, nil
}
