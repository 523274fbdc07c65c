package access

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

// house is a gate with an authority for the names robot (operator) and bench (viewer), a certificate of its own, and
// tokens.
type house struct {
	*Gate
	root     *signer
	contents map[string][]byte
	tokens   map[Role]string
	log      *observer.ObservedLogs
}

func newHouse(t *testing.T, withTokens bool, clock func() time.Time) *house {
	t.Helper()
	h := &house{root: newSigner(t, "root"), tokens: map[Role]string{}}
	server := h.root.client("127.0.0.1")
	key, err := x509.MarshalPKCS8PrivateKey(server.key)
	if err != nil {
		t.Fatal(err)
	}
	h.contents = map[string][]byte{"ca": inPEM("CERTIFICATE", h.root.cert.Raw), "key": inPEM("PRIVATE KEY", key),
		"cert": inPEM("CERTIFICATE", server.cert.Raw), "crl": h.root.revoke(day)}
	s := Settings{Loopback: Free, TLS: TLS{Certificate: "cert", Key: "key", ClientCA: "ca", CRL: "crl",
		Clients: map[string]string{"robot": "operator", "bench": "viewer"}}}
	if withTokens {
		s.Tokens = "tokens"
		for _, role := range []Role{Viewer, Operator} {
			token, line, err := NewToken(role.String(), role, noon.Add(day))
			if err != nil {
				t.Fatal(err)
			}
			h.tokens[role] = token
			h.contents["tokens"] = append(h.contents["tokens"], line.Line()+"\n"...)
		}
	}
	core, log := observer.New(zap.InfoLevel)
	h.log = log
	h.Gate, err = New(s, Options{Clock: clock, Logger: zap.New(core),
		ReadFile: func(name string) ([]byte, error) { return h.contents[name], nil }})
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// client says hello over a pipe, with a certificate or without, and returns what the server made of it.
func (h *house) client(t *testing.T, p place, with *signer) (credentials.AuthInfo, error) {
	t.Helper()
	near, far := net.Pipe()
	defer near.Close()
	k := &crowd{g: h.Gate, at: "the door"}
	marked := newConn(far, p, k)
	k.enter(marked)
	defer marked.Close()
	config := &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2"}}
	if with != nil {
		config.Certificates = []tls.Certificate{{Certificate: [][]byte{with.cert.Raw}, PrivateKey: with.key}}
	}
	done := make(chan error, 1)
	if p == remotePlace {
		go func() {
			c := tls.Client(near, config)
			err := c.Handshake()
			if err == nil {
				_, err = c.Read(make([]byte, 1)) // of a refusal a client of TLS 1.3 hears afterwards
			}
			done <- err
		}()
	} else {
		done <- nil
	}
	conn, info, err := h.Credentials().ServerHandshake(marked)
	if err == nil && p == remotePlace {
		go conn.Close() // it says farewell over the pipe
	}
	if p == remotePlace {
		<-done
	}
	return info, err
}

// TestHandshakes: what is shown in a handshake is judged there; where tokens count nothing need be shown.
func TestHandshakes(t *testing.T) {
	for _, withTokens := range []bool{false, true} {
		h := newHouse(t, withTokens, at(noon))
		robot := h.root.client("robot")
		for name, c := range map[string]struct {
			place place
			with  *signer
			want  Reason
		}{
			"a robot":               {remotePlace, robot, ""},
			"a stranger":            {remotePlace, newSigner(t, "x").client("robot"), CertificateUntrusted},
			"nothing is shown":      {remotePlace, nil, map[bool]Reason{false: NoCredentials}[withTokens]},
			"this machine":          {freePlace, nil, ""},
			"this machine, checked": {checkedPlace, nil, ""},
		} {
			info, err := h.client(t, c.place, c.with)
			var refused *RefusedError
			if errors.As(err, &refused) != (c.want != "") || refused != nil && refused.Reason != c.want {
				t.Errorf("%s, tokens %v: %v, want %q", name, withTokens, err, c.want)
			}
			if c.want != "" {
				if n := h.Refused()[string(c.want)]; n != 1 {
					t.Errorf("%s: counted %d times", name, n)
				}
				continue
			}
			got, _ := info.(connInfo)
			security := credentials.NoSecurity
			if c.place == remotePlace {
				security = credentials.PrivacyAndIntegrity
			}
			if got.conn.from() != c.place || got.SecurityLevel != security ||
				(got.certificate != nil) != (c.with != nil) {
				t.Errorf("%s: %+v", name, got)
			}
		}
	}
}

// TestCertificatesAreNotAskedFor: where no authority is named a client that has a certificate is asked for none, and
// its token counts.
func TestCertificatesAreNotAskedFor(t *testing.T) {
	h := newHouse(t, true, at(noon))
	s := h.settings
	s.TLS.ClientCA, s.TLS.CRL, s.TLS.Clients = "", "", nil
	apply, _, err := h.Prepare(s)
	if err != nil {
		t.Fatal(err)
	}
	apply()
	info, err := h.client(t, remotePlace, h.root.client("robot"))
	if got, _ := info.(connInfo); err != nil || got.certificate != nil {
		t.Errorf("%v, %+v", err, info)
	}
}

// TestAdmission: who may call what, by connection, certificate and token; a refusal is counted once and by its reason.
func TestAdmission(t *testing.T) {
	h := newHouse(t, true, at(noon))
	k := &crowd{g: h.Gate, at: "the door"}
	conn := func(p place) *markedConn {
		near, far := net.Pipe()
		c := newConn(far, p, k)
		k.enter(c)
		t.Cleanup(func() { near.Close(); c.Close() })
		return c
	}
	const look, act = facetdv1.TaskService_ListTasks_FullMethodName, facetdv1.TaskService_CreateTask_FullMethodName
	robot, bench := shows(h.root.client("robot")), shows(h.root.client("bench"))
	for _, c := range []struct {
		name        string
		place       place
		certificate *shown
		header      string
		method      string
		want        Reason
		role        Role
	}{
		{"this machine", freePlace, nil, "", act, "", Operator},
		{"this machine, whatever it shows", freePlace, nil, "Bearer no", act, "", Operator},
		{"checked, nothing", checkedPlace, nil, "", look, NoCredentials, 0},
		{"checked, a viewer", checkedPlace, nil, "Bearer " + h.tokens[Viewer], look, "", Viewer},
		{"checked, a viewer who acts", checkedPlace, nil, "Bearer " + h.tokens[Viewer], act, MissingRole, 0},
		{"checked, an operator", checkedPlace, nil, "bearer " + h.tokens[Operator], act, "", Operator},
		{"no token", checkedPlace, nil, "Bearer", look, TokenMalformed, 0},
		{"as in a browser", checkedPlace, nil, "Basic dTpw", look, TokenMalformed, 0},
		{"as long as may be", checkedPlace, nil, "Bearer " + strings.Repeat("x", 2*maxTokenBytes-7), look, TokenUnknown,
			0},
		{"too long", checkedPlace, nil, "Bearer " + strings.Repeat("x", 2*maxTokenBytes-6), look, TokenMalformed, 0},
		{"a certificate", remotePlace, robot, "", act, "", Operator},
		{"a viewer's certificate", remotePlace, bench, "", act, MissingRole, 0},
		{"a token goes before a certificate", remotePlace, bench, "Bearer " + h.tokens[Operator], act, "", Operator},
		{"even one that does not count", remotePlace, robot, "Bearer x", look, TokenUnknown, 0},
		{"nothing", remotePlace, nil, "", look, NoCredentials, 0},
		{"a method that is not listed", remotePlace, bench, "", "/x/Y", MissingRole, 0},
	} {
		ctx := peer.NewContext(t.Context(), &peer.Peer{Addr: &net.TCPAddr{},
			AuthInfo: connInfo{conn: conn(c.place), certificate: c.certificate}})
		if c.header != "" {
			ctx = metadata.NewIncomingContext(ctx, metadata.Pairs("authorization", c.header))
		}
		before := h.Refused()[string(c.want)]
		within, caller, end, err := h.Admit(ctx, c.method)
		if c.want == "" {
			if err != nil || caller.Role != c.role || end == nil {
				t.Errorf("%s: %+v, %v", c.name, caller, err)
				continue
			}
			if kept, has := CallerOf(within); !has || kept != caller {
				t.Errorf("%s: the call is %+v's", c.name, kept)
			}
			end()
			// A request that was admitted already is asked for nothing more.
			if _, again, end, err := h.Admit(withCaller(t.Context(), caller), c.method); err != nil || again != caller {
				t.Errorf("%s, again: %+v, %v", c.name, again, err)
			} else {
				end()
			}
			continue
		}
		refused, is := err.(*RefusedError)
		if !is || refused.Reason != c.want || end != nil || caller != (Caller{}) {
			t.Errorf("%s: %+v, %v, want %s", c.name, caller, err, c.want)
		}
		if n := h.Refused()[string(c.want)]; n != before+1 {
			t.Errorf("%s: counted %d times", c.name, n-before)
		}
		if _, has := CallerOf(within); has {
			t.Errorf("%s: the call is somebody's", c.name)
		}
	}
	for _, entry := range h.log.FilterMessageSnippet("refused: ").All() {
		if got := entry.ContextMap()["peer"]; got != ":0" {
			t.Errorf("a refusal of the peer %q is in the log", got)
		}
	}
	// A call that came over no connection at all is a stranger's.
	if _, _, _, err := h.Admit(t.Context(), look); err == nil || err.(*RefusedError).Reason != NoCredentials {
		t.Errorf("from nowhere: %v", err)
	}
	if _, _, err := h.AdmitUnknown(withCaller(t.Context(), Caller{Role: Viewer}), "/x/Y"); err != nil {
		t.Errorf("a viewer may learn that there is no such method: %v", err)
	}
	if err := (*Gate)(nil).RefuseRequest(t.Context(), SlowRequest, look, "too slow"); err.Error() != "too slow" {
		t.Errorf("without a gate: %v", err)
	}
	ctx := withCaller(peer.NewContext(t.Context(), &peer.Peer{}), Caller{Name: "robot"})
	err := h.RefuseRequest(ctx, TooManyRequests, look, "later")
	if !errors.As(err, new(*failure.Exhausted)) || h.Refused()[string(TooManyRequests)] != 1 ||
		err.(*RefusedError).Name != "robot" {
		t.Errorf("too many requests: %v", err)
	}
}

// TestWarnings: what is out of date is told at the start and at every reload, and nothing else is.
func TestWarnings(t *testing.T) {
	for after, want := range map[time.Duration]string{
		0: "",
		day: "a revocation list is out of date; certificates of its authority are refused," +
			"a token has expired,a token has expired",
		301 * day: "the daemon's certificate has expired; clients will refuse it," +
			"a revocation list is out of date; certificates of its authority are refused," +
			"a token has expired,a token has expired",
	} {
		h := newHouse(t, true, at(noon.Add(after)))
		for range 2 {
			var got []string
			for _, entry := range h.log.TakeAll() {
				got = append(got, entry.Message)
			}
			if strings.Join(got, ",") != want {
				t.Errorf("after %v: %q, want %q", after, got, want)
			}
			apply, changed, err := h.Prepare(h.settings)
			if err != nil || changed {
				t.Fatalf("the same again: changed %v, %v", changed, err)
			}
			apply()
		}
	}
}

// TestReloadsThatChange: other files count as a change, and so do other settings beside the same files.
func TestReloadsThatChange(t *testing.T) {
	h := newHouse(t, true, at(noon))
	s := h.settings
	s.TLS.Clients = map[string]string{"robot": "viewer", "bench": "viewer"}
	if _, changed, err := h.Prepare(s); err != nil || !changed {
		t.Errorf("another role: changed %v, %v", changed, err)
	}
	h.contents["crl"] = h.root.revoke(2 * day)
	apply, changed, err := h.Prepare(h.settings)
	if err != nil || !changed {
		t.Fatalf("another list: changed %v, %v", changed, err)
	}
	before := h.current.Load()
	apply()
	select {
	case <-before.replaced:
	default:
		t.Error("nobody was told that the list was replaced")
	}
}

// TestOperatorsAreNotCountedAmongViewers: a viewer comes in beside as many operators of one address as there may be
// viewers, and nobody goes for it.
func TestOperatorsAreNotCountedAmongViewers(t *testing.T) {
	d := newDoor(t)
	var guests []*guest
	for range MaxViewersPerAddress {
		c, g := d.come("10.0.0.1")
		d.call(c, Operator)()
		guests = append(guests, g)
	}
	c, _ := d.come("10.0.0.1")
	d.call(c, Viewer)()
	for i, g := range guests {
		if g.gone() {
			t.Fatalf("operator %d had to go", i)
		}
	}
}

// TestAdmittedAgain: a connection that was new again, as what it showed no longer counted, stays once a call is
// admitted on it again.
func TestAdmittedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(t)
		c, g := d.come("10.0.0.1")
		d.call(c, Viewer)()
		c.refused(refuse(TokenExpired, "somebody", "no"))
		d.call(c, Viewer)()
		time.Sleep(2 * CallLimit)
		synctest.Wait()
		if g.gone() {
			t.Error("it had to go")
		}
		if len(d.fresh) != 0 || len(d.known) != 1 {
			t.Errorf("%d new ones and %d known, want the one known", len(d.fresh), len(d.known))
		}
	})
}

// TestTheOldestGoesFirst: of new connections that had their time to call the oldest makes way.
func TestTheOldestGoesFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(t)
		var guests []*guest
		for range MaxNewPerAddress {
			_, g := d.come("10.0.0.1")
			guests = append(guests, g)
			time.Sleep(time.Millisecond)
		}
		time.Sleep(graceToCall + time.Millisecond)
		for gone := range 3 {
			d.come("10.0.0.1")
			for i, g := range guests {
				if g.gone() != (i <= gone) {
					t.Fatalf("after %d more, connection %d is gone: %v", gone+1, i, g.gone())
				}
			}
		}
	})
}

// elsewhere is a listener at an address that other machines reach.
type elsewhere struct{ net.Listener }

func (elsewhere) Addr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.MustParseAddrPort("192.0.2.1:443"))
}

// TestAddressesThatOthersReach: without access control there is none; with it, it speaks TLS.
func TestAddressesThatOthersReach(t *testing.T) {
	if l, err := newGate(t, DefaultSettings()).Listener(elsewhere{}); err == nil || !strings.Contains(err.Error(),
		"requires access control") {
		t.Errorf("%v, %v", l, err)
	}
	l, err := newHouse(t, false, at(noon)).Listener(elsewhere{})
	if err != nil || !SpeaksTLS(l) {
		t.Errorf("with a certificate and an authority: speaks TLS %v, %v", SpeaksTLS(l), err)
	}
}

// TestRefusedRequestsAreNoted: who is refused over HTTP too often has less to say, and is new again.
func TestRefusedRequestsAreNoted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(t)
		c, g := d.come("")
		ctx := context.WithValue(t.Context(), connKey{}, c)
		d.call(c, Viewer)()
		h := d.g.Guard(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("it came through") }))
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequestWithContext(ctx, "GET", "http://127.0.0.1/", nil))
		if w.Code != http.StatusUnauthorized || c.known {
			t.Errorf("status %d, known still: %v", w.Code, c.known)
		}
		r := httptest.NewRequestWithContext(ctx, "GET", "http://127.0.0.1/", nil)
		r.Header.Set("Authorization", "Digest x")
		h.ServeHTTP(httptest.NewRecorder(), r)
		d.counted(NoCredentials, 1)
		d.counted(TokenMalformed, 1)
		time.Sleep(CallLimit + time.Second)
		synctest.Wait()
		if !g.gone() {
			t.Error("it stays")
		}
	})
}

func TestWhatStrangersWroteIsShortened(t *testing.T) {
	for in, want := range map[string]string{
		strings.Repeat("x", 80): strings.Repeat("x", 80), strings.Repeat("x", 81): strings.Repeat("x", 80) + "...",
		strings.Repeat("x", 79) + "é": strings.Repeat("x", 79) + "...",
	} {
		if got := shorten(in); got != want {
			t.Errorf("%q became %q", in, got)
		}
	}
	longest := []byte(strings.Repeat("#", maxTokenFile))
	if _, errs := ParseTokens("t", longest); errs != nil {
		t.Errorf("a file as long as may be: %v", errs)
	}
}
