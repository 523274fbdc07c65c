package access

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"sync"
	"time"
)

// Guard lets requests through to next whose caller has at least the role viewer, and
// keeps who that is in the request's context: a gRPC call that next makes of it, in the
// same context, has the caller's role. An answer that lasts goes behind Lasting.
//
// It also keeps pages of other sites in a browser on this machine from acting in its
// user's name: on a plain connection the host must be an address or localhost, which a
// name that an attacker points at this machine is not; and a request that a page of
// another origin made is refused, unless it only leads here (a link).
//
// http.Server.ConnContext must be ConnContext.
func (g *Gate) Guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		conn := connOf(r.Context())
		c, err := g.admitHTTP(r, conn, cross)
		var end func()
		if err == nil {
			end, err = conn.begin(c)
		}
		if err != nil {
			conn.refused(err)
			g.answer(w, r, g.count(err, r.RemoteAddr, r.Method+" "+shorten(r.URL.Path)))
			return
		}
		defer end()
		next.ServeHTTP(w, r.WithContext(withCaller(r.Context(), c)))
	})
}

// Lasting is for answers that may go on for long, behind Guard: one ends, as a stream of a method of the API does, when
// its caller no longer has the role that the method takes. The context that next gets ends then and with next alone,
// and what next writes fails; next may set a later deadline for writing only before it looks at that context.
func (g *Gate) Lasting(method string, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// The request's own context ends as well when the server's limit of reading has passed.
		ctx, cancel := context.WithCancel(context.WithoutCancel(r.Context()))
		var watching sync.WaitGroup
		defer watching.Wait()
		defer cancel()
		caller, _ := CallerOf(ctx)
		watching.Go(func() {
			if g.Watch(ctx, caller, method) != nil {
				cancel()
				_ = http.NewResponseController(w).SetWriteDeadline(time.Unix(1, 0)) // wakes a write that waits
			}
		})
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

func (g *Gate) admitHTTP(r *http.Request, conn *markedConn, cross *http.CrossOriginProtection) (Caller, *RefusedError) {
	p := conn.from()
	if p != remotePlace && !ownHost(r.Host) {
		return Caller{}, refuse(ForeignHost, "", "this is not %s; use 127.0.0.1 or localhost", shorten(r.Host))
	}
	if err := cross.Check(r); err != nil || !ownOrigin(r) {
		return Caller{}, refuse(ForeignOrigin, "", "a page of another site asked for this")
	}
	if p == freePlace {
		return freeCaller, nil
	}
	digest, has, err := shownToken(r.Header.Values("Authorization"), true)
	if err != nil {
		return Caller{}, err
	}
	s := &shown{digest: digest, hasToken: has}
	if r.TLS != nil {
		s.chain = r.TLS.PeerCertificates
	}
	c, err := g.judge(s)
	if err == nil && c.Role < Viewer {
		err = refuse(MissingRole, c.Name, "%s has no role", c.Name)
	}
	return c, err
}

// ownHost reports whether a host header names this machine in a way that no stranger's name server
// can influence.
func ownHost(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = strings.TrimSuffix(strings.TrimPrefix(hostport, "["), "]")
	}
	if strings.EqualFold(host, "localhost") {
		return true
	}
	_, err = netip.ParseAddr(host)
	return err == nil
}

// ownOrigin reports whether a request, if a page made it, comes from our own. Unlike
// http.CrossOriginProtection it looks at GET too, which opens streams.
func ownOrigin(r *http.Request) bool {
	origin := r.Header.Get("Origin")
	if origin == "" {
		return true
	}
	u, err := url.Parse(origin)
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return err == nil && u.Scheme == scheme && strings.EqualFold(u.Host, r.Host)
}

// answer is what a refused caller gets. A call that a page makes is not answered with a challenge,
// for which its browser would stop the page and ask for a password: the page asks.
func (g *Gate) answer(w http.ResponseWriter, r *http.Request, e *RefusedError) {
	status := http.StatusUnauthorized
	switch {
	case e.Reason == ForeignHost:
		status = http.StatusMisdirectedRequest
	case e.Reason == TooManyConnections:
		status = http.StatusTooManyRequests
	case e.Reason == ForeignOrigin, e.Known():
		status = http.StatusForbidden
	case g.current.Load().hasTokens:
		w.Header().Add("WWW-Authenticate", `Bearer realm="facetd"`)
		if mode := r.Header.Get("Sec-Fetch-Mode"); mode == "" || mode == "navigate" {
			w.Header().Add("WWW-Authenticate", `Basic realm="facetd: any user, the token as password", charset="UTF-8"`)
		}
	}
	w.Header().Set("Cache-Control", "no-store")
	if r.ProtoMajor == 1 && r.ContentLength != 0 {
		w.Header().Set("Connection", "close") // else the server reads of the body what it can
	}
	http.Error(w, e.Message, status)
}

// shorten keeps what a stranger wrote from filling the log.
func shorten(s string) string {
	if len(s) > 80 {
		return strings.ToValidUTF8(s[:80], "") + "..."
	}
	return s
}
