package server

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/api/invalid"
	"facetd.example/daemon/access"
	"facetd.example/daemon/access/accesstest"
	"facetd.example/daemon/config"
)

// guarded is a server on an address that is not a loopback one, with everything that
// access takes.
type guarded struct {
	*Server
	ca     *accesstest.Authority
	tokens *accesstest.Tokens
}

func startGuarded(t *testing.T, change func(*Setup, *guarded)) *guarded {
	t.Helper()
	host := accesstest.Outside(t)
	g := &guarded{ca: accesstest.NewAuthority(t, "test authority"), tokens: accesstest.NewTokens(t)}
	own := g.ca.Server(host)
	cfg := quick()
	cfg.Listen = config.Listen{GRPC: net.JoinHostPort(host, "0"), HTTP: net.JoinHostPort(host, "0"),
		Unix: filepath.Join(t.TempDir(), "s")}
	cfg.Access.TLS = access.TLS{Certificate: own.CertFile, Key: own.KeyFile, ClientCA: g.ca.CA(),
		CRL:     g.ca.Revoke(time.Now().Add(time.Hour)),
		Clients: map[string]string{"viewer": "viewer", "operator": "operator"}}
	cfg.Access.Tokens = g.tokens.Path
	if change != nil {
		change(&cfg, g)
	}
	var err error
	if g.Server, err = New(cfg); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- g.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return g
}

func (g *guarded) reload(t *testing.T) {
	t.Helper()
	if err := g.Reload(t.Context(), func() (config.Config, error) { return g.cfg.Config, nil }); err != nil {
		t.Fatal(err)
	}
}

// dial connects with a certificate, where one is given.
func (g *guarded) dial(t *testing.T, with ...accesstest.Identity) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(g.Addresses().GRPC,
		grpc.WithTransportCredentials(credentials.NewTLS(g.clientTLS(with...))))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func (g *guarded) clientTLS(with ...accesstest.Identity) *tls.Config {
	c := &tls.Config{RootCAs: g.ca.Pool()}
	for _, id := range with {
		c.Certificates = append(c.Certificates, id.Certificate)
	}
	return c
}

func bearer(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

// wanted reports how often a reason was counted.
func (g *guarded) wanted(t *testing.T, r access.Reason, atLeast uint64) {
	t.Helper()
	if n := g.access.Refused()[string(r)]; n < atLeast {
		t.Errorf("%s was counted %d times, not %d", r, n, atLeast)
	}
}

// callAll calls every method of every registered service with an empty request, each for
// as long as limit says, and gives what each call came to.
func callAll(t *testing.T, g *guarded, ctx context.Context, conn grpc.ClientConnInterface,
	limit func(method string) time.Duration, each func(method string, err error)) {
	t.Helper()
	n := 0
	for _, service := range g.api.Services() {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service))
		if err != nil {
			t.Fatalf("%s: %v", service, err)
		}
		all := d.(protoreflect.ServiceDescriptor).Methods()
		for i := range all.Len() {
			m := all.Get(i)
			n++
			method := "/" + service + "/" + string(m.Name())
			ctx, cancel := context.WithTimeout(ctx, limit(method))
			stream, err := conn.NewStream(ctx,
				&grpc.StreamDesc{ServerStreams: m.IsStreamingServer(), ClientStreams: m.IsStreamingClient()}, method)
			if err == nil {
				if err = stream.SendMsg(dynamicpb.NewMessage(m.Input())); err == nil || errors.Is(err, io.EOF) {
					_ = stream.CloseSend() // what became of it comes with the answer
					err = stream.RecvMsg(dynamicpb.NewMessage(m.Output()))
				}
			}
			cancel()
			each(method, err)
		}
	}
	if n < 35 {
		t.Errorf("only %d methods", n)
	}
}

// TestEveryMethodTakesARole walks the descriptors of all services that are registered,
// health and reflection included, so that a new method cannot be forgotten.
func TestEveryMethodTakesARole(t *testing.T) {
	t.Parallel()
	// Without tasks: on a single processor a bus that runs as fast as it can keeps every one
	// of these calls waiting for its turns.
	g := startGuarded(t, func(c *Setup, _ *guarded) { c.Tasks = config.None })
	served := map[string]bool{}
	look := bearer(t.Context(), g.tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour)))
	g.reload(t)
	conn := g.dial(t)

	refusal := func(string) time.Duration { return patience } // which comes by itself
	callAll(t, g, t.Context(), conn, refusal, func(method string, err error) {
		served[method] = true
		if _, listed := access.MethodRole(method); !listed {
			t.Errorf("%s is not in the table of package access", method)
		}
		if status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s by nobody: %v", method, err)
		}
	})
	refused := 0
	callAll(t, g, look, conn, func(method string) time.Duration {
		if role, _ := access.MethodRole(method); role == access.Operator {
			return refusal(method)
		}
		return 500 * time.Millisecond // for streams that have nothing to tell, and were let in
	}, func(method string, err error) {
		role, _ := access.MethodRole(method)
		code := status.Code(err)
		if role == access.Operator {
			refused++
			if d := status.Convert(err).Details(); code != codes.PermissionDenied || len(d) != 1 ||
				d[0].(*errdetails.ErrorInfo).GetReason() != "MISSING_ROLE" {
				t.Errorf("%s by a viewer: %v", method, err)
			}
		} else if code == codes.PermissionDenied || code == codes.Unauthenticated {
			t.Errorf("%s by a viewer: %v", method, err)
		}
	})
	protoregistry.GlobalFiles.RangeFilesByPackage("facetd.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			of := f.Services().Get(i)
			for k := range of.Methods().Len() {
				if method := fmt.Sprintf("/%s/%s", of.FullName(), of.Methods().Get(k).Name()); !served[method] {
					t.Errorf("%s is in the schema, and not served", method)
				}
			}
		}
		return true
	})
	g.wanted(t, access.NoCredentials, uint64(len(served)))
	g.wanted(t, access.MissingRole, uint64(refused))

	// What changes something or takes bus time has a name that says so; the table must
	// not give it away to a viewer.
	harmless := []string{"Get", "List", "Watch", "Stream", "Follow", "Wait", "Compute", "Preview", "Check",
		"Download", "ServerReflection"}
	for method := range served {
		name := method[strings.LastIndex(method, "/")+1:]
		role, _ := access.MethodRole(method)
		if named := slices.ContainsFunc(harmless,
			func(p string) bool { return strings.HasPrefix(name, p) }); named != (role == access.Viewer) {
			t.Errorf("%s takes the role %s", method, role)
		}
	}
}

// get asks for the status over a new connection.
func getStatus(ctx context.Context, conn grpc.ClientConnInterface) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	_, err := facetdv1.NewStatusServiceClient(conn).GetStatus(ctx, &facetdv1.GetStatusRequest{})
	return err
}

func TestCertificates(t *testing.T) {
	t.Parallel()
	var revoked accesstest.Identity
	g := startGuarded(t, func(c *Setup, g *guarded) {
		revoked = g.ca.Client("operator", time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
		c.Access.TLS.CRL = g.ca.Revoke(time.Now().Add(time.Hour), revoked)
	})
	now := time.Now()
	good := func(name string) accesstest.Identity {
		return g.ca.Client(name, now.Add(-time.Hour), now.Add(time.Hour))
	}
	create := func(id accesstest.Identity) error {
		_, err := facetdv1.NewTaskServiceClient(g.dial(t, id)).CreateTask(t.Context(), &facetdv1.CreateTaskRequest{})
		return err
	}
	if err := create(good("viewer")); status.Code(err) != codes.PermissionDenied ||
		!strings.Contains(err.Error(), "viewer has the role viewer") {
		t.Errorf("a viewer creates: %v", err)
	}
	if err := create(good("operator")); status.Code(err) != codes.InvalidArgument { // nothing was said
		t.Errorf("an operator creates: %v", err)
	}
	if err := getStatus(t.Context(), g.dial(t, good("viewer"))); err != nil {
		t.Errorf("a viewer: %v", err)
	}
	for _, c := range []struct {
		name   string
		id     accesstest.Identity
		reason access.Reason
	}{
		{"expired", g.ca.Client("operator", now.Add(-2*time.Hour), now.Add(-time.Hour)), access.CertificateExpired},
		{"not yet valid", g.ca.Client("operator", now.Add(time.Hour), now.Add(2*time.Hour)),
			access.CertificateNotYetValid},
		{"revoked", revoked, access.CertificateRevoked},
		{"of another authority", accesstest.NewAuthority(t, "test authority").Client("operator", now.Add(-time.Hour),
			now.Add(time.Hour)), access.CertificateUntrusted},
		{"for servers", g.ca.Server("operator"), access.CertificateUntrusted},
		{"not listed", good("stranger"), access.CertificateUnlisted},
	} {
		before := g.access.Refused()[string(c.reason)]
		// what it reads of the alert is up to chance
		if err := getStatus(t.Context(), g.dial(t, c.id)); status.Code(err) != codes.Unavailable {
			t.Errorf("%s: %v", c.name, err)
		}
		g.wanted(t, c.reason, before+1)
		// The same at the HTTP address.
		client := &http.Client{Transport: &http.Transport{TLSClientConfig: g.clientTLS(c.id)}}
		if r, err := client.Get("https://" + g.Addresses().HTTP + "/metrics"); err == nil {
			r.Body.Close()
			t.Errorf("%s: HTTP says %d", c.name, r.StatusCode)
		}
		g.wanted(t, c.reason, before+2)
	}
}

// TestRevokedWhileConnected: a revocation counts for connections that are there, and a
// list out of date lets no certificate in, while tokens go on.
func TestRevokedWhileConnected(t *testing.T) {
	t.Parallel()
	g := startGuarded(t, nil)
	now := time.Now()
	id := g.ca.Client("viewer", now.Add(-time.Hour), now.Add(time.Hour))
	token := g.tokens.Add("other", access.Viewer, now.Add(time.Hour))
	g.reload(t)
	conn := g.dial(t, id)
	if err := getStatus(t.Context(), conn); err != nil {
		t.Fatal(err)
	}
	frames, err := followtest.Open(t.Context(), conn, &facetdv1.FollowStart{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := frames.Recv(); err != nil {
		t.Fatal(err)
	}
	g.ca.Revoke(now.Add(time.Hour), id)
	begin, waits := time.Now(), starved()
	g.reload(t)
	err = frames.Drain()
	if took := time.Since(begin) - waits(); status.Code(err) != codes.Unauthenticated ||
		took > access.EndOfStreamLimit {
		t.Errorf("the stream ended after %v with %v", took, err)
	}
	if err := getStatus(t.Context(), conn); status.Code(err) != codes.Unauthenticated ||
		!strings.Contains(err.Error(), "was revoked") {
		t.Errorf("after the revocation: %v", err)
	}
	g.ca.Revoke(now.Add(-time.Minute))
	g.reload(t)
	if err := getStatus(t.Context(), conn); status.Code(err) != codes.Unauthenticated ||
		!strings.Contains(err.Error(), "should have been replaced") {
		t.Errorf("with a stale list: %v", err)
	}
	if err := getStatus(bearer(t.Context(), token), g.dial(t)); err != nil {
		t.Errorf("a token with a stale list: %v", err)
	}
}

func TestTokens(t *testing.T) {
	g := startGuarded(t, nil)
	looking := g.tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour))
	expired := g.tokens.Add("old", access.Operator, time.Now().Add(-time.Second))
	g.reload(t)
	conn := g.dial(t)
	if err := getStatus(bearer(t.Context(), looking), conn); err != nil {
		t.Error(err)
	}
	for header, want := range map[string]access.Reason{
		"Bearer " + expired:       access.TokenExpired,
		"Bearer " + looking + "x": access.TokenUnknown,
		"Bearer":                  access.TokenMalformed,
		"Digest x":                access.TokenMalformed,
		"Basic " + looking:        access.TokenMalformed,
	} {
		before := g.access.Refused()[string(want)]
		if err := getStatus(metadata.AppendToOutgoingContext(t.Context(), "authorization", header),
			conn); status.Code(err) != codes.Unauthenticated {
			t.Errorf("%q: %v", header, err)
		}
		g.wanted(t, want, before+1)
	}
	frames, err := followtest.Open(bearer(t.Context(), looking), conn, &facetdv1.FollowStart{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := frames.Recv(); err != nil {
		t.Fatal(err)
	}
	// Somebody who does not read is cut off as well.
	unread, err := followtest.Open(bearer(t.Context(), looking), g.dial(t), followtest.All())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := unread.Recv(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "two streams", func() bool { return g.hub.Stats().Open == 2 })
	begin, waits := time.Now(), starved()
	g.tokens.Clear()
	g.reload(t)
	err = frames.Drain()
	if status.Code(err) != codes.Unauthenticated {
		t.Errorf("the stream ended with %v", err)
	}
	eventually(t, "the end of both", func() bool { return g.hub.Stats().Open == 0 })
	if took := time.Since(begin) - waits(); took > access.EndOfStreamLimit {
		t.Errorf("they were open for %v after their token was taken away", took)
	}
	if err := getStatus(bearer(t.Context(), looking), conn); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a token that was taken away: %v", err)
	}
}

// TestCertificatesThatNobodyAskedFor: where only tokens count, a client that shows a
// certificate as well gets in with its token.
func TestCertificatesThatNobodyAskedFor(t *testing.T) {
	g := startGuarded(t, func(c *Setup, _ *guarded) {
		c.Access.TLS.ClientCA, c.Access.TLS.CRL, c.Access.TLS.Clients = "", "", nil
	})
	token := g.tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour))
	g.reload(t)
	conn := g.dial(t, g.ca.Client("bench", time.Now().Add(-2*time.Hour), time.Now().Add(-time.Hour)))
	if err := getStatus(bearer(t.Context(), token), conn); err != nil {
		t.Error(err)
	}
	if err := getStatus(t.Context(), conn); status.Code(err) != codes.Unauthenticated ||
		!strings.Contains(err.Error(), "asks for a token") {
		t.Errorf("without the token: %v", err)
	}
}

// TestNothingChangesWhenAReloadFails: every file is read before anything changes.
func TestNothingChangesWhenAReloadFails(t *testing.T) {
	g := startGuarded(t, nil)
	token := g.tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour))
	g.reload(t)
	conn := g.dial(t)
	g.tokens.Clear()
	broken := g.cfg.Access.TLS.CRL
	other := accesstest.NewAuthority(t, "other")
	copyFile(t, other.Revoke(time.Now().Add(time.Hour)), broken)
	err := g.Reload(t.Context(), func() (config.Config, error) { return g.cfg.Config, nil })
	var m invalid.Errors
	if !errors.As(err, &m) || m[0].Path != "access.tls.crl" {
		t.Errorf("a list of another authority: %v", err)
	}
	if err := getStatus(bearer(t.Context(), token), conn); err != nil {
		t.Errorf("after a reload that failed: %v", err)
	}
}

// TestFreePlaces: the socket asks nothing, loopback addresses what they are told.
func TestFreePlaces(t *testing.T) {
	t.Parallel()
	g := startGuarded(t, nil)
	plain := func(address string) *grpc.ClientConn {
		conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		return conn
	}
	if err := getStatus(t.Context(), plain("unix:"+g.Addresses().Unix)); err != nil {
		t.Errorf("the socket: %v", err)
	}
	if err := getStatus(t.Context(), plain(g.Addresses().GRPC)); status.Code(err) != codes.Unavailable {
		t.Errorf("without TLS: %v", err)
	}
	tokens := accesstest.NewTokens(t)
	token := tokens.Add("local", access.Operator, time.Now().Add(time.Hour))
	cfg := quick()
	cfg.Access.Loopback, cfg.Access.Tokens = access.Checked, tokens.Path
	conn, stop := running(t, cfg)
	if err := getStatus(t.Context(), conn); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a checked loopback address without a token: %v", err)
	}
	if err := getStatus(bearer(t.Context(), token), conn); err != nil {
		t.Errorf("a checked loopback address with a token: %v", err)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
}

// TestHTTPAccess: HTTP takes tokens as gRPC does, and as the password of Basic, which
// browsers ask for.
func TestHTTPAccess(t *testing.T) {
	g := startGuarded(t, nil)
	token := g.tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour))
	g.reload(t)
	ask := func(set func(*http.Request)) (int, http.Header) {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), "GET", "https://"+g.Addresses().HTTP+"/metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		set(r)
		client := &http.Client{Transport: &http.Transport{TLSClientConfig: g.clientTLS(), DisableKeepAlives: true}}
		a, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		return a.StatusCode, a.Header
	}
	if code, h := ask(func(*http.Request) {}); code != 401 || len(h.Values("WWW-Authenticate")) != 2 {
		t.Errorf("nobody: %d %v", code, h)
	}
	if code, h := ask(func(r *http.Request) { r.Header.Set("Sec-Fetch-Mode", "cors") }); code != 401 ||
		len(h.Values("WWW-Authenticate")) != 1 {
		t.Errorf("a call of a page: %d %v", code, h)
	}
	if code, _ := ask(func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) }); code != 200 {
		t.Errorf("a token: %d", code)
	}
	if code, _ := ask(func(r *http.Request) { r.SetBasicAuth("anybody", token) }); code != 200 {
		t.Errorf("a token as password: %d", code)
	}
	if code, _ := ask(func(r *http.Request) { r.SetBasicAuth(token, "") }); code != 401 {
		t.Errorf("no password: %d", code)
	}
	if code, _ := ask(func(r *http.Request) {
		r.SetBasicAuth("anybody", token)
		r.Header.Set("Origin", "https://elsewhere.example")
	}); code != 403 {
		t.Errorf("a page of another site: %d", code)
	}
	// A call of the API over HTTP has the caller's role, and no more.
	for method, want := range map[string]int{"StatusService/GetStatus": 200, "TaskService/DeleteTask": 403} {
		r, err := http.NewRequestWithContext(t.Context(), "POST", "https://"+g.Addresses().HTTP+"/facetd.v1."+method,
			strings.NewReader("{}"))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Connect-Protocol-Version", "1")
		r.SetBasicAuth("anybody", token)
		client := &http.Client{Transport: &http.Transport{TLSClientConfig: g.clientTLS(), DisableKeepAlives: true}}
		a, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		a.Body.Close()
		if a.StatusCode != want {
			t.Errorf("%s over HTTP: %d", method, a.StatusCode)
		}
	}
	plain, err := http.Get("http://" + g.Addresses().HTTP + "/metrics")
	if err == nil {
		plain.Body.Close()
		if plain.StatusCode != 400 {
			t.Errorf("without TLS: %d", plain.StatusCode)
		}
	}
}

// TestOldTLSIsRefused: 1.3 is the least.
func TestOldTLSIsRefused(t *testing.T) {
	g := startGuarded(t, nil)
	for _, address := range []string{g.Addresses().GRPC, g.Addresses().HTTP} {
		c := g.clientTLS()
		c.NextProtos = []string{"h2"}
		conn, err := tls.Dial("tcp", address, c)
		if err != nil {
			t.Errorf("1.3: %v", err)
		} else {
			conn.Close()
		}
		c.MaxVersion = tls.VersionTLS12
		if conn, err := tls.Dial("tcp", address, c); err == nil {
			conn.Close()
			t.Error("1.2 is taken")
		} else if !strings.Contains(err.Error(), "protocol version") {
			t.Errorf("1.2: %v", err)
		}
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err == nil {
		err = os.WriteFile(to, data, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}
