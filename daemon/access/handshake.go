package access

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"

	"google.golang.org/grpc/credentials"
)

// connInfo is what gRPC keeps of a connection.
type connInfo struct {
	credentials.CommonAuthInfo
	conn *markedConn
	// certificate is what was shown in the handshake; nil where nothing was.
	certificate *shown
}

// AuthType names the kind.
func (connInfo) AuthType() string { return "facetd" }

// tlsConfig is the newest certificate with our own judgement of the client's.
func (g *Gate) tlsConfig(protocols ...string) *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		NextProtos: protocols,
		// A resumed session would skip the certificates.
		SessionTicketsDisabled: true,
		// Asked for and judged here, so that what is refused has a name and a
		// count; the key that it is for is proved in the handshake all the same.
		ClientAuth: tls.RequestClientCert,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			if c := g.current.Load().certificate; c != nil {
				return c, nil
			}
			return nil, errors.New("the daemon has no certificate")
		},
	}
}

// verify judges the certificates of a handshake, before anything else of a stranger is
// read: without tokens there must be one, and one that is shown must count.
func (g *Gate) verify(state tls.ConnectionState, from string) error {
	m := g.current.Load()
	if len(state.PeerCertificates) == 0 && m.hasTokens {
		return nil
	}
	if _, err := g.judge(&shown{chain: state.PeerCertificates}); err != nil {
		return g.count(err, from, "handshake")
	}
	return nil
}

// handshaking is tlsConfig for one connection, from an address.
func (g *Gate) handshaking(from string, protocols ...string) *tls.Config {
	c := g.tlsConfig(protocols...)
	if g.current.Load().authorities == nil {
		c.ClientAuth = tls.NoClientCert // many a client shows whatever it has when asked
	}
	c.VerifyConnection = func(s tls.ConnectionState) error { return g.verify(s, from) }
	return c
}

// HTTPConfig is the TLS configuration of an HTTP server on a listener that speaks TLS.
func (g *Gate) HTTPConfig() *tls.Config {
	protocols := []string{"h2", "http/1.1"}
	c := g.tlsConfig(protocols...)
	c.GetConfigForClient = func(h *tls.ClientHelloInfo) (*tls.Config, error) {
		return g.handshaking(h.Conn.RemoteAddr().String(), protocols...), nil
	}
	return c
}

// Credentials are the gRPC server's: TLS on connections from elsewhere, none on those
// from this machine, and no service at all on a connection that no Listener marked.
func (g *Gate) Credentials() credentials.TransportCredentials { return gateCredentials{g} }

type gateCredentials struct{ g *Gate }

// ServerHandshake decides by its mark what a connection has to do.
func (c gateCredentials) ServerHandshake(raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	marked, is := raw.(*markedConn)
	if !is {
		_ = raw.Close() // nothing was said on it
		return nil, nil, errors.New("a connection came in where access is not known")
	}
	info := connInfo{conn: marked,
		CommonAuthInfo: credentials.CommonAuthInfo{SecurityLevel: credentials.NoSecurity}}
	if marked.place != remotePlace {
		return raw, info, nil
	}
	conn, auth, err := credentials.NewTLS(c.g.handshaking(raw.RemoteAddr().String())).ServerHandshake(raw)
	if err != nil {
		return nil, nil, err
	}
	t, is := auth.(credentials.TLSInfo)
	if !is {
		_ = conn.Close() // nothing was said on it
		return nil, nil, fmt.Errorf("a handshake ended as %T", auth)
	}
	info.SecurityLevel = credentials.PrivacyAndIntegrity
	if len(t.State.PeerCertificates) > 0 {
		info.certificate = &shown{chain: t.State.PeerCertificates}
	}
	return conn, info, nil
}

// ClientHandshake is not for a server.
func (gateCredentials) ClientHandshake(context.Context, string, net.Conn) (net.Conn, credentials.AuthInfo, error) {
	return nil, nil, errors.New("these credentials are a server's")
}

func (gateCredentials) Info() credentials.ProtocolInfo {
	return credentials.ProtocolInfo{SecurityProtocol: "facetd"}
}

func (c gateCredentials) Clone() credentials.TransportCredentials { return c }

func (gateCredentials) OverrideServerName(string) error { return nil }
