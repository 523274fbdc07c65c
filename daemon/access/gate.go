package access

import (
	"context"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	"facetd.example/api/fileio"
)

const (
	// worldWritable is what the mode of a file may not have: whoever can write the tokens could
	// give themselves every role.
	worldWritable = 0o002
	// worldReadable is what that of a key may not have: whoever can read it could pose as the
	// daemon. Its group may, as is usual for keys that several services share.
	worldReadable = 0o004
)

// Caller is somebody whose credentials count.
type Caller struct {
	Name string
	Role Role
	// Until is when the credentials cease to count; the zero time means never.
	Until time.Time

	shown *shown // nil for a caller that is free
}

// shown is what a caller showed; it can be judged again by newer material.
type shown struct {
	digest   [sha256.Size]byte
	hasToken bool
	chain    []*x509.Certificate

	// last is the verdict when the chain was last judged: checking signatures on every call would
	// cost more than many a call.
	last atomic.Pointer[verdict]
}

// verdict holds for the material it was made of, until the caller's Until.
type verdict struct {
	by     *material
	caller Caller
}

// Gate judges callers. Its methods may be called from any goroutine.
type Gate struct {
	settings Settings
	readFile func(string) ([]byte, error)
	readKey  func(string) ([]byte, error)
	clock    func() time.Time
	log      *zap.Logger
	refused  map[Reason]*atomic.Uint64

	current atomic.Pointer[material]
	reload  sync.Mutex // held from Prepare's apply to its end
}

// Options of a gate.
type Options struct {
	// ReadFile reads the files that the settings name; nil means from the file system,
	// where one that everybody may write is refused, and a key that everybody may read.
	ReadFile func(string) ([]byte, error)
	// Now is the clock; nil means time.Now.
	Clock  func() time.Time
	Logger *zap.Logger
}

// New reads what the settings name; they have been checked. The error is
// invalid.Errors, with all of them.
func New(s Settings, o Options) (*Gate, error) {
	g := &Gate{settings: s, readFile: o.ReadFile, readKey: o.ReadFile, clock: o.Clock,
		refused: map[Reason]*atomic.Uint64{}}
	if g.readFile == nil {
		g.readFile, g.readKey = readGuarded, readPrivate
	}
	if g.clock == nil {
		g.clock = time.Now
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	// Strangers can call as often as they like: the log has enough, and the count is in the
	// metrics.
	g.log = o.Logger.WithOptions(zap.WrapCore(func(c zapcore.Core) zapcore.Core {
		return zapcore.NewSamplerWithOptions(c, time.Minute, 10, 10_000)
	}))
	for _, r := range Reasons() {
		g.refused[r] = &atomic.Uint64{}
	}
	apply, _, err := g.Prepare(s)
	if err != nil {
		return nil, err
	}
	apply()
	return g, nil
}

// readGuarded reads a file that not everybody may write.
func readGuarded(name string) ([]byte, error) {
	return readUnless(name, worldWritable, "everybody may write %s, and so take every role; chmod o-w it")
}

// readPrivate reads a key.
func readPrivate(name string) ([]byte, error) {
	return readUnless(name, worldReadable|worldWritable,
		"everybody may read or write the key %s, and so pose as the daemon; chmod o-rwx it")
}

// MaxFileBytes limits a file with a certificate, a key or a revocation list; tokens have a
// limit of their own below it.
const MaxFileBytes = 16 << 20

// readUnless reads a file whose mode has none of some bits. The mode is that of what is read,
// whatever takes the place of the name meanwhile.
func readUnless(name string, bits fs.FileMode, refusal string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fileio.Plain(err)
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, fileio.Plain(err)
	case info.IsDir():
		return nil, fmt.Errorf("%s is a folder", name)
	case info.Mode().Perm()&bits != 0:
		return nil, fmt.Errorf(refusal, name)
	}
	return fileio.ReadFrom(f, name, MaxFileBytes)
}

// Prepare reads certificates, revocation lists and tokens again, as checked settings name them now;
// nothing changes until apply is called, which cannot fail. What loopback addresses ask for stays
// as it was. changed reports whether anything differs. The error is invalid.Errors.
func (g *Gate) Prepare(s Settings) (apply func(), changed bool, err error) {
	next, wrong := s.read(g.readFile, g.readKey)
	if len(wrong) > 0 {
		return nil, false, wrong
	}
	old := g.current.Load()
	return func() {
		g.reload.Lock()
		defer g.reload.Unlock()
		g.warn(next)
		if old := g.current.Swap(next); old != nil {
			close(old.replaced)
		}
	}, old == nil || old.digest != next.digest, nil
}

// warn logs what is no longer valid, or not for long.
func (g *Gate) warn(m *material) {
	now := g.clock()
	if m.certificate != nil && m.certificate.Leaf != nil && now.After(m.certificate.Leaf.NotAfter) {
		g.log.Warn("the daemon's certificate has expired; clients will refuse it",
			zap.Time("expired", m.certificate.Leaf.NotAfter))
	}
	for _, l := range m.lists {
		if !l.NextUpdate.IsZero() && !now.Before(l.NextUpdate) {
			g.log.Warn("a revocation list is out of date; certificates of its authority are refused",
				zap.Stringer("issuer", l.Issuer), zap.Time("next_update", l.NextUpdate))
		}
	}
	for _, t := range m.tokens {
		if !now.Before(t.Expires) {
			g.log.Warn("a token has expired", zap.String("name", t.Name), zap.Time("expired", t.Expires))
		}
	}
}

// Refused is how often somebody was refused, by reason, all reasons included.
func (g *Gate) Refused() map[string]uint64 {
	out := map[string]uint64{}
	for r, n := range g.refused {
		out[string(r)] = n.Load()
	}
	return out
}

// count counts and logs a refusal.
func (g *Gate) count(e *RefusedError, from string, what string) *RefusedError {
	g.refused[e.Reason].Add(1)
	g.log.Warn("refused: "+string(e.Reason), zap.String("peer", from), zap.String("asked", what),
		zap.String("name", e.Name), zap.String("why", e.Message))
	return e
}

// judge says who a caller is by what it showed. A token counts before a certificate.
func (g *Gate) judge(s *shown) (Caller, *RefusedError) {
	m, now := g.current.Load(), g.clock()
	var c Caller
	var err *RefusedError
	switch {
	case s.hasToken:
		t := find(m.tokens, s.digest)
		if t == nil {
			return c, refuse(TokenUnknown, "", "the token does not count here: it is wrong, or was taken away")
		}
		if !now.Before(t.Expires) {
			return c, refuse(TokenExpired, t.Name, "the token %s expired on %s", t.Name,
				t.Expires.UTC().Format(time.RFC3339))
		}
		c = Caller{Name: t.Name, Role: t.Role, Until: t.Expires}
	case len(s.chain) > 0:
		if v := s.last.Load(); v != nil && v.by == m && now.Before(v.caller.Until) {
			return v.caller, nil
		}
		if c, err = m.judge(s.chain, now); err != nil {
			return c, err
		}
		c.shown = s
		s.last.Store(&verdict{by: m, caller: c})
	default:
		return c, refuse(NoCredentials, "", "this address asks for %s", g.wanted(m))
	}
	c.shown = s
	return c, nil
}

// wanted names what a caller may show.
func (g *Gate) wanted(m *material) string {
	switch {
	case m.authorities == nil:
		return "a token"
	case !m.hasTokens:
		return "a client certificate"
	}
	return "a client certificate or a token"
}

// shownToken reads the value of an authorization header. Basic is for browsers and
// scrapers: its password is the token, and its user is ignored.
func shownToken(values []string, basic bool) (digest [sha256.Size]byte, has bool, err *RefusedError) {
	if len(values) == 0 {
		return digest, false, nil
	}
	scheme, rest, _ := strings.Cut(values[0], " ")
	token := strings.TrimSpace(rest)
	switch {
	case len(values) > 1 || len(values[0]) > 2*maxTokenBytes:
		return digest, false, refuse(TokenMalformed, "", "there is more than one token, or one that is too long")
	case strings.EqualFold(scheme, "bearer") && token != "":
	case basic && strings.EqualFold(scheme, "basic"):
		raw, decodeErr := base64.StdEncoding.DecodeString(token)
		_, password, cut := strings.Cut(string(raw), ":")
		if decodeErr != nil || !cut || password == "" {
			return digest, false, refuse(TokenMalformed, "", "the header authorization holds no password")
		}
		token = password
	default:
		return digest, false, refuse(TokenMalformed, "", "the header authorization must be: Bearer TOKEN")
	}
	return sha256.Sum256([]byte(token)), true, nil
}

type callerKey struct{}

// CallerOf returns who asks, where Guard or Admit found out; the methods of a server
// without a gate have none.
func CallerOf(ctx context.Context) (Caller, bool) {
	c, ok := ctx.Value(callerKey{}).(Caller)
	return c, ok
}

func withCaller(ctx context.Context, c Caller) context.Context {
	return context.WithValue(ctx, callerKey{}, c)
}

// Admit finds out who makes a gRPC call and whether the method may be called, by its headers alone. A request
// that came through Guard keeps the role that it had there. The caller of Admit calls end when the call has ended;
// until then its connection is not idle. The error is a *RefusedError, which has been counted.
func (g *Gate) Admit(ctx context.Context, fullMethod string) (_ context.Context, c Caller, end func(), _ error) {
	role, _ := MethodRole(fullMethod)
	return g.admit(ctx, fullMethod, role)
}

// AdmitUnknown is Admit for a method that there is not: everybody with a role may learn so.
func (g *Gate) AdmitUnknown(ctx context.Context, fullMethod string) (_ context.Context, end func(), _ error) {
	ctx, _, end, err := g.admit(ctx, shorten(fullMethod), Viewer)
	return ctx, end, err
}

func (g *Gate) admit(ctx context.Context, fullMethod string, role Role) (_ context.Context, c Caller, end func(),
	_ error) {
	from := "unknown"
	var info connInfo
	if p, has := peer.FromContext(ctx); has {
		info, _ = p.AuthInfo.(connInfo)
		if p.Addr != nil {
			from = p.Addr.String()
		}
	}
	c, err := g.identify(ctx, info)
	if err == nil && c.Role < role {
		err = refuse(MissingRole, c.Name, "%s has the role %s, and %s takes the role %s", c.Name, c.Role, fullMethod,
			role)
	}
	if err == nil {
		end, err = info.conn.begin(c)
	}
	if err != nil {
		info.conn.refused(err)
		return ctx, Caller{}, nil, g.count(err, from, fullMethod)
	}
	return withCaller(ctx, c), c, end, nil
}

// RefuseRequest is the error about a request of an admitted call that cannot be received, and counts it. A nil gate
// counts nothing.
func (g *Gate) RefuseRequest(ctx context.Context, r Reason, fullMethod, format string, args ...any) error {
	c, _ := CallerOf(ctx)
	err := refuse(r, c.Name, format, args...)
	if g == nil {
		return err
	}
	from := "unknown"
	if p, has := peer.FromContext(ctx); has && p.Addr != nil {
		from = p.Addr.String()
	}
	return g.count(err, from, fullMethod)
}

func (g *Gate) identify(ctx context.Context, info connInfo) (Caller, *RefusedError) {
	if c, ok := CallerOf(ctx); ok {
		return c, nil
	}
	if info.conn.from() == freePlace {
		return freeCaller, nil
	}
	md, _ := metadata.FromIncomingContext(ctx)
	digest, has, err := shownToken(md.Get("authorization"), false)
	if err != nil {
		return Caller{}, err
	}
	if !has && info.certificate != nil {
		return g.judge(info.certificate)
	}
	return g.judge(&shown{digest: digest, hasToken: has})
}

// freeCaller is any caller at an address that asks for nothing.
var freeCaller = Caller{Name: "this machine", Role: Operator}

// Watch waits until ctx ends, and returns nil, or until the caller's credentials cease
// to count or to suffice for the method, and returns why; that has been counted.
func (g *Gate) Watch(ctx context.Context, c Caller, fullMethod string) error {
	if c.shown == nil {
		<-ctx.Done()
		return nil
	}
	role, _ := MethodRole(fullMethod)
	for {
		m := g.current.Load()
		now, err := g.judge(c.shown)
		if err == nil && now.Role < role {
			err = refuse(MissingRole, c.Name, "%s has only the role %s now", c.Name, now.Role)
		}
		if err != nil {
			return g.count(err, "a stream", fullMethod)
		}
		// Clocks are set now and then; a check a second costs nothing and keeps the limit.
		timer := time.NewTimer(min(max(now.Until.Sub(g.clock()), 0), time.Second))
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil
		case <-m.replaced:
		case <-timer.C:
		}
		timer.Stop()
	}
}
