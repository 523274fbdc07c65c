package cli

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"
	"google.golang.org/grpc/codes"
)

func TestConnections(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	token, two := write("token", " facetd_x\n"), write("two", "a\nb\n")
	for _, c := range []struct {
		name  string
		c     Connection
		usage bool
		want  string // empty: none
	}{
		{"plain", Connection{Address: "192.0.2.1:1"}, false, ""},
		{"the system's authorities", Connection{Address: "192.0.2.1:1", TLS: true, TokenFile: token}, false, ""},
		{"a token to this machine", Connection{Address: "127.0.0.1:1", TokenFile: token}, false, ""},
		{"a token to a socket", Connection{Address: "unix:s", TokenFile: token}, false, ""},
		{"a token in the clear", Connection{Address: "robot:1", TokenFile: token}, true, "in the clear"},
		{"a token in the clear to what looks like this machine",
			Connection{Address: "localhost.example:1", TokenFile: token}, true, "in the clear"},
		{"no address", Connection{Address: " "}, true, "--address is empty"},
		{"a certificate without its key", Connection{Address: "a:1", Cert: token}, true, "go together"},
		{"a name without TLS", Connection{Address: "a:1", Name: "b"}, true, "--tls-name"},
		{"no such authority", Connection{Address: "a:1", CA: filepath.Join(dir, "none")}, false, "no such file"},
		{"an authority that is none", Connection{Address: "a:1", CA: token}, false, "holds no PEM certificate"},
		{"a certificate that is none", Connection{Address: "a:1", Cert: token, Key: token}, false,
			"holds no PEM certificate"},
		{"no such token", Connection{Address: "unix:s", TokenFile: filepath.Join(dir, "none")}, false, "no such file"},
		{"two tokens", Connection{Address: "unix:s", TokenFile: two}, false, "one token and nothing else"},
		{"no token", Connection{Address: "unix:s", TokenFile: write("empty", "\n")}, false,
			"one token and nothing else"},
		{"a folder", Connection{Address: "unix:s", TokenFile: dir}, false, "one token and nothing else"},
	} {
		conn, err := c.c.Dial()
		var usage *UsageError
		switch {
		case c.want == "" && err != nil, c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)),
			errors.As(err, &usage) != c.usage:
			t.Errorf("%s: %v", c.name, err)
		}
		if err != nil && strings.Contains(err.Error(), "facetd_x") {
			t.Errorf("%s: the token is in the message", c.name)
		}
		if conn != nil {
			conn.Close()
		}
	}
}

func TestConnectionFromTheEnvironment(t *testing.T) {
	env := map[string]string{"FACETD_ADDRESS": "robot:7660", "FACETD_TLS_CA": "ca", "FACETD_TLS_CERT": "cert",
		"FACETD_TLS_KEY": "key", "FACETD_TLS_NAME": "name", "FACETD_TOKEN_FILE": "token", "FACETD_TLS": "1"}
	var c Connection
	fs := pflag.NewFlagSet("x", pflag.ContinueOnError)
	c.Register(fs, func(name string) string { return env[name] })
	if err := fs.Parse([]string{"--tls-ca", "other"}); err != nil {
		t.Fatal(err)
	}
	if want := (Connection{Address: "robot:7660", CA: "other", Cert: "cert", Key: "key", Name: "name",
		TokenFile: "token", TLS: true}); c != want {
		t.Errorf("got %+v", c)
	}
}

func TestTLSFromTheEnvironment(t *testing.T) {
	for text, want := range map[string]string{
		"": "false", "1": "true", "true": "true", "0": "false", "yes": `FACETD_TLS is "yes"; use 1 or 0`,
	} {
		var c Connection
		c.Register(pflag.NewFlagSet("x", pflag.ContinueOnError), func(name string) string {
			return map[string]string{"FACETD_TLS": text}[name]
		})
		got := strconv.FormatBool(c.TLS)
		if err := c.Check(); err != nil {
			got = err.Error()
		}
		if got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
}

func TestHints(t *testing.T) {
	now := time.Now()
	for _, c := range []struct {
		c       Connection
		code    codes.Code
		message string
		want    string
	}{
		{Connection{Address: "a:1"}, codes.Unavailable, "connection refused", "is facetd running"},
		{Connection{Address: "a:1"}, codes.Unavailable, "error reading server preface: EOF", "give --tls-ca"},
		{Connection{Address: "a:1", CA: "c"}, codes.Unavailable, "remote error: tls: bad certificate",
			"give --tls-cert"},
		{Connection{Address: "a:1", CA: "c"}, codes.Unavailable, "x509: certificate is valid for b, not a",
			"--tls-name"},
		{Connection{Address: "a:1", CA: "c"}, codes.Unavailable, "x509: certificate has expired or is not yet valid",
			"daemon's certificate is out of date"},
		{Connection{Address: "a:1"}, codes.Unauthenticated, "", "give --token-file"},
		{Connection{Address: "a:1", TokenFile: "t"}, codes.Unauthenticated, "", "new ones"},
		{Connection{Address: "a:1"}, codes.PermissionDenied, "", "role operator"},
	} {
		if got := strings.Join(c.c.Hints(c.code, c.message, now), "\n"); !strings.Contains(got, c.want) {
			t.Errorf("%v %q: %q", c.code, c.message, got)
		}
	}
	if got := (&Connection{}).Hints(codes.NotFound, "", now); got != nil {
		t.Errorf("an error that has nothing to do with the connection: %q", got)
	}
}
