package access

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"facetd.example/api/invalid"
)

func TestRightsAreOrdered(t *testing.T) {
	if !(Nothing < Viewer && Viewer < Operator) {
		t.Error("a greater right must include a smaller one")
	}
	for _, r := range []Role{Viewer, Operator} {
		if got, err := ParseRole(r.String()); got != r || err != nil {
			t.Errorf("%v is read as %v, %v", r, got, err)
		}
	}
	if role, listed := MethodRole("/facetd.v1.TaskService/FormatTask"); role != Operator || listed {
		t.Errorf("a method that nobody thought of takes %v", role)
	}
}

func TestSettings(t *testing.T) {
	both := TLS{Certificate: "c", Key: "k"}
	for _, c := range []struct {
		s      Settings
		remote bool
		want   string
	}{
		{DefaultSettings(), false, ""},
		{Settings{}, false, "access.loopback"},
		{Settings{Loopback: "open"}, false, "access.loopback"},
		{Settings{Loopback: Checked}, false, "access.loopback"},
		{Settings{Loopback: Checked, Tokens: "t"}, false, ""},
		{Settings{Loopback: Free, TLS: both}, false, ""}, // nobody could call
		{Settings{Loopback: Free, TLS: both, Tokens: "t"}, true, ""},
		{Settings{Loopback: Free, TLS: TLS{Certificate: "c"}, Tokens: "t"}, false, "access.tls.certificate"},
		{Settings{Loopback: Free, TLS: TLS{Key: "c"}, Tokens: "t"}, false, "access.tls.key"},
		{Settings{Loopback: Free, TLS: TLS{Certificate: "c", Key: "k", ClientCA: "a"}}, true, "access.tls.client_ca"},
		{Settings{Loopback: Free, TLS: TLS{Certificate: "c", Key: "k", ClientCA: "a",
			Clients: map[string]string{"*": "viewer"}}}, true, ""},
		{Settings{Loopback: Free, TLS: TLS{Certificate: "c", Key: "k", ClientCA: "a",
			Clients: map[string]string{"*": "all"}}}, true, "access.tls.clients"},
		{Settings{Loopback: Free, TLS: TLS{Certificate: "c", Key: "k", Clients: map[string]string{"*": "viewer"}},
			Tokens: "t"}, true, "access.tls.clients"},
		{Settings{Loopback: Free, TLS: TLS{Certificate: "c", Key: "k", CRL: "l"}, Tokens: "t"}, true, "access.tls.crl"},
	} {
		var m invalid.Errors
		c.s.Check(&m)
		switch {
		case c.want == "" && len(m) > 0, c.want != "" && (len(m) != 1 || m[0].Path != c.want):
			t.Errorf("%+v: %v", c.s, m)
		case c.s.Remote() != c.remote:
			t.Errorf("%+v: remote %v", c.s, c.s.Remote())
		}
	}
}

func TestTokenLines(t *testing.T) {
	expires := time.Date(2030, 6, 1, 12, 0, 0, 0, time.UTC)
	token, line, err := NewToken("bench.1", Operator, expires)
	if err != nil {
		t.Fatal(err)
	}
	// The digest is that of any other SHA-256.
	sum := sha256.Sum256([]byte(token))
	if want := "bench.1 operator 2030-06-01T12:00:00Z sha256:" + hex.EncodeToString(sum[:]); line.Line() != want {
		t.Errorf("line %q, want %q", line.Line(), want)
	}
	if strings.Contains(line.Line(), token) || len(token) != len("facetd_")+43 {
		t.Errorf("token of %d bytes", len(token))
	}
	got, m := ParseTokens("f", []byte("# mine\n\n  "+line.Line()+"  \r\nday viewer 2030-06-01 sha256:"+
		strings.Repeat("ab", 32)))
	if len(m) > 0 || len(got) != 2 || got[0] != line {
		t.Fatalf("%v %v", got, m)
	}
	if end := time.Date(2030, 6, 2, 0, 0, 0, 0, time.UTC); !got[1].Expires.Equal(end) || got[1].Role != Viewer {
		t.Errorf("a date counts until %v", got[1].Expires)
	}
	if find(got, sum) == nil || find(got, sum).Name != "bench.1" ||
		find(got, sha256.Sum256([]byte(token+"x"))) != nil || find(nil, sum) != nil {
		t.Error("a token is not found by its digest alone")
	}
	for _, name := range []string{"", "a b", "-x", "näme", strings.Repeat("x", 65), "a\nb"} {
		if _, _, err := NewToken(name, Viewer, expires); err == nil {
			t.Errorf("%q is taken as a name", name)
		}
	}
	if _, _, err := NewToken("a", Nothing, expires); err == nil {
		t.Error("a token without a role")
	}
}

func TestTokenErrors(t *testing.T) {
	digest := " sha256:" + strings.Repeat("0", 64)
	_, m := ParseTokens("tokens", []byte("a viewer 2030-01-01"+digest+"\nb see 2030-01-01"+digest+"\nc viewer soon"+
		digest+
		"\nd viewer 2030-01-01 facetd_verysecret\na viewer 2030-01-01"+digest+
		"\nfacetd_othersecret\ne viewer 2030-01-01 sha256:00\n"))
	var lines []int
	for _, one := range m {
		lines = append(lines, one.Line)
		if strings.Contains(one.String(), "secret") {
			t.Errorf("a token is in a message: %s", one)
		}
	}
	if len(m) != 6 || lines[0] != 2 || lines[5] != 7 {
		t.Errorf("%v", m)
	}
	if _, m := ParseTokens("t", []byte(strings.Repeat("#", maxTokenFile+1))); len(m) != 1 {
		t.Errorf("a file that is too long: %v", m)
	}
}

func FuzzParseTokens(f *testing.F) {
	f.Add([]byte("a viewer 2030-01-01 sha256:" + strings.Repeat("0", 64) + "\n# x\n"))
	f.Add([]byte("a operator 2030-01-01T00:00:00+02:00 sha256:" + strings.Repeat("f", 64)))
	f.Fuzz(func(t *testing.T, data []byte) {
		tokens, m := ParseTokens("f", data)
		if len(m) > 0 && tokens != nil {
			t.Error("errors and tokens")
		}
		var text strings.Builder
		for _, one := range tokens {
			text.WriteString(one.Line() + "\n")
		}
		again, m := ParseTokens("f", []byte(text.String()))
		if len(m) > 0 || len(again) != len(tokens) {
			t.Fatalf("what was written is not read: %v\n%s", m, text.String())
		}
		for i := range again {
			if again[i].Name != tokens[i].Name || again[i].Digest != tokens[i].Digest ||
				again[i].Expires.Unix() != tokens[i].Expires.Unix() {
				t.Errorf("%v became %v", tokens[i], again[i])
			}
		}
	})
}

func newGate(t *testing.T, s Settings) *Gate {
	t.Helper()
	g, err := New(s, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func TestATokenFileThatAllMayWrite(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tokens")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := New(Settings{Loopback: Checked, Tokens: path}, Options{}); err == nil ||
		!strings.Contains(err.Error(), "everybody may write") {
		t.Errorf("got %v", err)
	}
}

// Files of access are read with a bound, as all that people name, and errors name them
// alone.
func TestFilesAreBounded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tokens")
	s := Settings{Loopback: Checked, Tokens: path}
	if _, err := New(s, Options{}); err == nil ||
		err.Error() != "access.tokens: "+path+": no such file or directory" {
		t.Errorf("no file: %v", err)
	}
	if err := errors.Join(os.WriteFile(path, nil, 0o600), os.Truncate(path, MaxFileBytes+1)); err != nil {
		t.Fatal(err)
	}
	if _, err := New(s, Options{}); err == nil || err.Error() != "access.tokens: "+path+" is larger than 16 MiB" {
		t.Errorf("too large a file: %v", err)
	}
}

// A private key that others may read is refused, at a start and at a reload; its group may.
func TestAKeyThatAllMayRead(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for _, path := range []string{cert, key} {
		if err := os.WriteFile(path, []byte("no PEM"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s := Settings{Loopback: Free, TLS: TLS{Certificate: cert, Key: key}}
	for mode, refused := range map[os.FileMode]bool{
		0o600: false, 0o400: false, 0o640: false, 0o440: false, 0o644: true, 0o604: true, 0o602: true, 0o666: true,
		0o444: true,
	} {
		if err := os.Chmod(key, mode); err != nil {
			t.Fatal(err)
		}
		_, atStart := New(s, Options{})
		_, _, atReload := newGate(t, Settings{Loopback: Free}).Prepare(s)
		for _, err := range []error{atStart, atReload} {
			if err == nil || strings.Contains(err.Error(), "access.tls.key: everybody may read or write the key "+
				key) != refused {
				t.Errorf("mode %03o: %v; refused for it: %v", mode, err, refused)
			}
		}
	}
	// The certificate is no secret.
	if err := errors.Join(os.Chmod(key, 0o600), os.Chmod(cert, 0o644)); err != nil {
		t.Fatal(err)
	}
	if _, err := New(s, Options{}); err == nil || strings.Contains(err.Error(), "everybody") {
		t.Errorf("a certificate that all may read: %v", err)
	}
}

// TestExpiryEndsAStream: nobody reloads, the time just passes.
func TestExpiryEndsAStream(t *testing.T) {
	token, line, err := NewToken("short", Viewer, time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	now := line.Expires.Add(-300 * time.Millisecond)
	began := time.Now()
	g, err := New(Settings{Loopback: Checked, Tokens: "t"}, Options{
		ReadFile: func(string) ([]byte, error) { return []byte(line.Line()), nil },
		Clock:    func() time.Time { return now.Add(time.Since(began)) },
	})
	if err != nil {
		t.Fatal(err)
	}
	digest, _, _ := shownToken([]string{"Bearer " + token}, false)
	c, refused := g.judge(&shown{digest: digest, hasToken: true})
	if refused != nil {
		t.Fatal(refused)
	}
	err = g.Watch(t.Context(), c, "/facetd.v1.EventService/StreamEvents")
	if r, is := err.(*RefusedError); !is || r.Reason != TokenExpired || time.Since(began) > EndOfStreamLimit {
		t.Errorf("after %v: %v", time.Since(began), err)
	}
}

// TestLogOfRefusals: a flood is counted, and mostly not logged.
func TestLogOfRefusals(t *testing.T) {
	core, logs := observer.New(zap.InfoLevel)
	g, err := New(DefaultSettings(), Options{Logger: zap.New(core)})
	if err != nil {
		t.Fatal(err)
	}
	for range 5000 {
		g.count(refuse(TokenUnknown, "", "no"), "peer", "x")
	}
	if n := g.Refused()["token_unknown"]; n != 5000 || logs.Len() != 10 {
		t.Errorf("%d counted, %d lines", n, logs.Len())
	}
}

// TestGuardAgainstBrowsers: what a page of another site can make a browser on this
// machine send is refused; links, scrapers and our own pages are not.
func TestGuardAgainstBrowsers(t *testing.T) {
	g := newGate(t, DefaultSettings())
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	marked, err := g.Listener(l)
	if err != nil {
		t.Fatal(err)
	}
	s := &httptest.Server{Listener: marked, Config: &http.Server{ConnContext: ConnContext,
		Handler: g.Guard(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if c, ok := CallerOf(r.Context()); !ok || c.Role != Operator {
				t.Errorf("the caller is %+v", c)
			}
		}))}}
	s.Start()
	defer s.Close()
	own := l.Addr().String()
	_, port, _ := net.SplitHostPort(own)
	for _, c := range []struct {
		method, host, origin, site string
		want                       int
	}{
		{"GET", own, "", "", 200},
		{"GET", "localhost:" + port, "", "", 200},
		{"GET", "LOCALHOST:1", "", "", 200}, // a tunnel
		{"GET", "[::1]:" + port, "", "", 200},
		{"GET", "127.0.0.1", "", "", 200},
		{"GET", "rebound.example:" + port, "", "", 421},
		{"GET", "localhost.rebound.example", "", "", 421},
		{"GET", "127.0.0.1.rebound.example:" + port, "", "", 421},
		{"POST", "rebound.example", "http://rebound.example", "same-origin", 421},
		{"POST", own, "", "", 200}, // not a browser
		{"POST", own, "http://" + own, "same-origin", 200},
		{"POST", own, "http://evil.example", "cross-site", 403},
		{"POST", own, "http://evil.example", "", 403},
		{"POST", own, "null", "", 403},
		{"POST", own, "", "cross-site", 403},
		{"POST", own, "http://127.0.0.1:1", "same-site", 403}, // another program's page
		{"GET", own, "http://evil.example", "cross-site", 403},
		{"GET", own, "https://" + own, "", 403},
		{"GET", own, "", "cross-site", 200}, // a link
	} {
		r, err := http.NewRequestWithContext(t.Context(), c.method, s.URL, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Host = c.host
		if c.origin != "" {
			r.Header.Set("Origin", c.origin)
		}
		if c.site != "" {
			r.Header.Set("Sec-Fetch-Site", c.site)
		}
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		a.Body.Close()
		if a.StatusCode != c.want {
			t.Errorf("%+v: %d", c, a.StatusCode)
		}
	}
}

// TestGuardAsksWhoYouAre: where loopback is checked, HTTP takes a token too.
func TestGuardAsksWhoYouAre(t *testing.T) {
	token, line, err := NewToken("watcher", Viewer, time.Now().Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	g, err := New(Settings{Loopback: Checked, Tokens: "t"},
		Options{ReadFile: func(string) ([]byte, error) { return []byte(line.Line()), nil }})
	if err != nil {
		t.Fatal(err)
	}
	h := g.Guard(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	for token, want := range map[string]int{token: 200, "": 401, "wrong": 401} {
		r := httptest.NewRequest("POST", "http://127.0.0.1/", nil)
		if token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		w := httptest.NewRecorder()
		if h.ServeHTTP(w, r); w.Code != want {
			t.Errorf("token %.4q: %d, want %d", token, w.Code, want)
		}
	}
}
