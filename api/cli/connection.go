package cli

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"facetd.example/api/dial"
	"facetd.example/api/fileio"
)

// DefaultAddress is the daemon's loopback address.
const DefaultAddress = "127.0.0.1:7660"

// maxTokenFile limits a file with one token, in bytes.
const maxTokenFile = 4 << 10

// Connection says which daemon to talk to, and what to show it.
type Connection struct {
	// Address is HOST:PORT or unix:PATH.
	Address string
	// CA is a PEM file of the authorities that may have signed the daemon's certificate;
	// with it, or with TLS, TLS is spoken.
	CA string
	// Cert and Key are PEM files of the client's certificate and its key.
	Cert, Key string
	// TokenFile holds a token.
	TokenFile string
	// Name is the name in the daemon's certificate where it is not that of the address,
	// as behind a tunnel.
	Name string
	// TLS speaks TLS with the authorities that the system trusts.
	TLS bool

	leaf    *x509.Certificate // of Cert, once it was read
	notBool string            // what FACETD_TLS holds, where it is neither yes nor no
}

// Register adds the flags; where one is not given, the environment counts.
func (c *Connection) Register(fs *pflag.FlagSet, env func(string) string) {
	or := func(name, otherwise string) string {
		if v := env(name); v != "" {
			return v
		}
		return otherwise
	}
	fs.StringVar(&c.Address, "address", or("FACETD_ADDRESS", DefaultAddress),
		"the daemon: HOST:PORT or unix:PATH (environment: FACETD_ADDRESS)")
	switch asked, err := strconv.ParseBool(or("FACETD_TLS", "0")); {
	case err != nil:
		c.notBool = env("FACETD_TLS")
	default:
		c.TLS = asked
	}
	fs.BoolVar(&c.TLS, "tls", c.TLS,
		"speak TLS and trust the system's authorities (environment: FACETD_TLS=1)")
	fs.StringVar(&c.CA, "tls-ca", env("FACETD_TLS_CA"),
		"speak TLS and trust the authorities of this PEM file (environment: FACETD_TLS_CA)")
	fs.StringVar(&c.Cert, "tls-cert", env("FACETD_TLS_CERT"),
		"PEM file of your certificate (environment: FACETD_TLS_CERT)")
	fs.StringVar(&c.Key, "tls-key", env("FACETD_TLS_KEY"),
		"PEM file of your certificate's key (environment: FACETD_TLS_KEY)")
	fs.StringVar(&c.Name, "tls-name", env("FACETD_TLS_NAME"),
		"name in the daemon's certificate, where it is not the address's (environment: FACETD_TLS_NAME)")
	fs.StringVar(&c.TokenFile, "token-file", env("FACETD_TOKEN_FILE"),
		"file with your token (environment: FACETD_TOKEN_FILE)")
}

// speaksTLS reports whether TLS is spoken.
func (c *Connection) speaksTLS() bool { return c.TLS || c.CA != "" || c.Cert != "" }

// Check finds options that make no sense together; the error is a UsageError.
func (c *Connection) Check() error {
	switch {
	case c.notBool != "":
		return Usagef("FACETD_TLS is %q; use 1 or 0", c.notBool)
	case strings.TrimSpace(c.Address) == "":
		return Usagef("--address is empty; give HOST:PORT or unix:PATH")
	case (c.Cert == "") != (c.Key == ""):
		return Usagef("--tls-cert and --tls-key go together; give both")
	case c.Name != "" && !c.speaksTLS():
		return Usagef("--tls-name is of no use without --tls-ca or --tls")
	case c.TokenFile != "" && !c.speaksTLS() && !dial.OnThisMachine(c.Address):
		return Usagef("a token would go to %s in the clear; give --tls-ca (or --tls) with --token-file", c.Address)
	}
	return nil
}

// Dial returns a connection; it does not wait for the daemon. Errors: a UsageError for
// options that make no sense, and what is wrong with a file.
func (c *Connection) Dial() (*grpc.ClientConn, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	options, err := c.Options()
	if err != nil {
		return nil, err
	}
	conn, err := dial.New(c.Address, options)
	if err != nil {
		return nil, Usagef("--address: %s", err)
	}
	return conn, nil
}

// Options reads the files that the flags name. The error says what is wrong with one.
func (c *Connection) Options() (o dial.Options, err error) {
	if c.speaksTLS() {
		if o.TLS, err = c.config(); err != nil {
			return o, err
		}
	}
	if c.TokenFile != "" {
		o.Token, err = readToken(c.TokenFile)
	}
	return o, err
}

func (c *Connection) config() (*tls.Config, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS13, ServerName: c.Name}
	if c.CA != "" {
		data, err := os.ReadFile(c.CA)
		if err != nil {
			return nil, fmt.Errorf("--tls-ca: %w", fileio.Plain(err))
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(data) {
			return nil, fmt.Errorf("--tls-ca: %s holds no PEM certificate", c.CA)
		}
	}
	if c.Cert == "" {
		return config, nil
	}
	cert, err := os.ReadFile(c.Cert)
	if err != nil {
		return nil, fmt.Errorf("--tls-cert: %w", fileio.Plain(err))
	}
	key, err := os.ReadFile(c.Key)
	if err != nil {
		return nil, fmt.Errorf("--tls-key: %w", fileio.Plain(err))
	}
	if block, _ := pem.Decode(cert); block == nil {
		return nil, fmt.Errorf("--tls-cert: %s holds no PEM certificate", c.Cert)
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return nil, fmt.Errorf("--tls-cert and --tls-key: %w", err)
	}
	c.leaf = pair.Leaf
	// Also where the daemon names other authorities: it says best what it lacks.
	config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &pair, nil }
	return config, nil
}

func readToken(name string) (string, error) {
	f, err := os.Open(name)
	if err != nil {
		return "", fmt.Errorf("--token-file: %w", fileio.Plain(err))
	}
	defer f.Close()
	return tokenIn(name, f)
}

// tokenIn reads the token of a file, which may be a pipe that gives it in pieces.
func tokenIn(name string, r io.Reader) (string, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxTokenFile))
	token := string(bytes.TrimSpace(data))
	if err != nil || token == "" || len(data) == maxTokenFile || strings.ContainsAny(token, " \t\r\n") {
		return "", fmt.Errorf("--token-file: %s must hold one token and nothing else", name)
	}
	return token, nil
}

// Hints say what to do about a call that failed with a code, as far as it is a matter
// of the connection: a line each. message is what gRPC says.
func (c *Connection) Hints(code codes.Code, message string, now time.Time) []string {
	switch code {
	case codes.Unavailable:
		return c.unavailable(message, now)
	case codes.Unauthenticated:
		if c.TokenFile == "" && c.Cert == "" {
			return []string{"give --token-file, or --tls-cert and --tls-key"}
		}
		return []string{"ask the daemon's administrator for new ones ('facetd token new' makes a token)"}
	case codes.PermissionDenied:
		return []string{"ask the daemon's administrator for the role operator"}
	}
	return nil
}

// unavailable sees from this side why a handshake may have failed: the alert of the
// other side says little, and often does not arrive.
func (c *Connection) unavailable(message string, now time.Time) []string {
	if l := c.leaf; l != nil && now.After(l.NotAfter) {
		return []string{fmt.Sprintf("the certificate %s expired on %s: get a new one", c.Cert,
			l.NotAfter.UTC().Format(time.RFC3339))}
	}
	if l := c.leaf; l != nil && now.Before(l.NotBefore) {
		return []string{fmt.Sprintf("the certificate %s counts from %s on", c.Cert,
			l.NotBefore.UTC().Format(time.RFC3339))}
	}
	switch {
	case strings.Contains(message, "certificate has expired or is not yet valid"):
		return []string{"the daemon's certificate is out of date (or this machine's clock is wrong)"}
	case strings.Contains(message, "certificate signed by unknown authority"),
		strings.Contains(message, "certificate is not trusted"):
		return []string{"the daemon's certificate is of another authority than --tls-ca trusts"}
	case strings.Contains(message, "certificate is valid for"),
		strings.Contains(message, "doesn't contain any IP SANs"), strings.Contains(message, "not valid for any names"):
		return []string{"the daemon's certificate is for another name; give that with --tls-name if you are sure " +
			"whom you talk to"}
	case strings.Contains(message, "first record does not look like a TLS handshake"):
		return []string{"the daemon does not speak TLS at this address; leave out --tls-ca, --tls-cert and --tls"}
	case c.speaksTLS() && (strings.Contains(message, "bad certificate") || strings.Contains(message, "broken pipe") ||
		strings.Contains(message, "connection reset")):
		if c.Cert == "" {
			return []string{"the daemon asks for a client certificate: give --tls-cert and --tls-key, or --token-file"}
		}
		return []string{"the daemon refuses the certificate " + c.Cert +
			" (not one of its authorities, revoked, or not listed); its log says why"}
	case !c.speaksTLS() && !dial.OnThisMachine(c.Address) && !strings.Contains(message, "refused"):
		return []string{"a daemon on another machine speaks TLS: give --tls-ca"}
	}
	return []string{"is facetd running, and is --address (or FACETD_ADDRESS) right?"}
}
