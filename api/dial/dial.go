// Package dial opens connections to a daemon: the one place for the limits, the
// credentials, the pauses and the ids of requests that every client of ours has.
package dial

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/resolver"
)

// maxMessage limits a message from the daemon, in bytes: its own limit. A frame set of
// 4,096 by 4,096 pixels from eight chips takes 256 MiB.
const maxMessage = 1 << 30

// Options of a connection. The zero value suits a daemon on this machine.
type Options struct {
	// TLS secures the connection; nil means none.
	TLS *tls.Config
	// Token is sent with every call; empty means none.
	Token string
	// More goes to gRPC last.
	More []grpc.DialOption
}

// New returns a connection to HOST:PORT or unix:PATH. It does not wait for the daemon: the
// first call does. The error says what is wrong with the address, or that a token would
// leave this machine without TLS.
func New(address string, o Options) (*grpc.ClientConn, error) {
	options := []grpc.DialOption{
		// No proxy: the daemon is on this machine or beside it.
		grpc.WithNoProxy(),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessage)),
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithChainUnaryInterceptor(identify), again(),
		// gRPC's own pauses begin at a second, which is long for a robot.
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff: backoff.Config{BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2,
				MaxDelay: 5 * time.Second},
			MinConnectTimeout: 5 * time.Second,
		}),
	}
	if !plausible(address) {
		return nil, fmt.Errorf("address %q: give HOST:PORT or unix:PATH", address)
	}
	if o.TLS != nil {
		options = append(options, grpc.WithTransportCredentials(credentials.NewTLS(o.TLS)))
	}
	if o.Token != "" {
		if o.TLS == nil && !OnThisMachine(address) {
			return nil, fmt.Errorf("a token would go to %s in the clear: give TLS", address)
		}
		options = append(options, grpc.WithPerRPCCredentials(bearer{o.Token, o.TLS != nil}))
	}
	conn, err := grpc.NewClient(address, append(options, o.More...)...)
	if err != nil {
		return nil, fmt.Errorf("address %q: %w", address, err)
	}
	return conn, nil
}

// plausible reports whether an address has what it takes: gRPC would add a port that
// nobody meant, or wait for ever. Those of its other schemes are its own affair.
func plausible(address string) bool {
	if path, is := strings.CutPrefix(address, "unix:"); is {
		return strings.Trim(path, "/") != ""
	}
	if scheme, _, has := strings.Cut(address, ":"); has && resolver.Get(scheme) != nil {
		return true
	}
	host, port, err := net.SplitHostPort(address)
	if err != nil || host == "" {
		return false
	}
	_, err = strconv.ParseUint(port, 10, 16)
	return err == nil
}

// OnThisMachine reports whether what goes to an address stays on this machine.
func OnThisMachine(address string) bool {
	if strings.HasPrefix(address, "unix:") || strings.HasPrefix(address, "passthrough:") {
		return true
	}
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	return Loopback(host)
}

// Loopback reports whether a host can be reached from this machine alone.
func Loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.Unmap().IsLoopback()
}

// bearer sends a token with every call (RFC 6750).
type bearer struct {
	token  string
	secure bool
}

func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + b.token}, nil
}

func (b bearer) RequireTransportSecurity() bool { return b.secure }
