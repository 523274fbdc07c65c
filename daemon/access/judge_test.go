package access

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/api/invalid"
)

// signer is an authority, or one that an authority has made.
type signer struct {
	t      *testing.T
	cert   *x509.Certificate
	key    *ecdsa.PrivateKey
	serial int64
}

// noon is when the tests begin.
var noon = time.Date(2030, 6, 1, 12, 0, 0, 0, time.UTC)

const day = 24 * time.Hour

// make signs a certificate for a key of its own; by itself where s is nil.
func (s *signer) make(t *testing.T, name string, from, to time.Time, isCA bool) *signer {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	made := &signer{t: t, key: key, serial: 100}
	template := &x509.Certificate{Subject: pkix.Name{CommonName: name}, NotBefore: from, NotAfter: to, IsCA: isCA,
		BasicConstraintsValid: isCA, SerialNumber: big.NewInt(1), KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
	if isCA {
		template.KeyUsage, template.ExtKeyUsage = x509.KeyUsageCertSign|x509.KeyUsageCRLSign, nil
	}
	parent, signs := template, key
	if s != nil {
		s.serial++
		template.SerialNumber, parent, signs = big.NewInt(s.serial), s.cert, s.key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, key.Public(), signs)
	if err == nil {
		made.cert, err = x509.ParseCertificate(der)
	}
	if err != nil {
		t.Fatal(err)
	}
	return made
}

func newSigner(t *testing.T, name string) *signer {
	return (*signer)(nil).make(t, name, noon.Add(-1000*day), noon.Add(1000*day), true)
}

func (s *signer) client(name string) *signer {
	return s.make(s.t, name, noon.Add(-day), noon.Add(300*day), false)
}

// revoke is a list in DER, to be replaced after a time; 0 for one that has no such date.
func (s *signer) revoke(after time.Duration, revoked ...*signer) []byte {
	s.t.Helper()
	s.serial++
	list := &x509.RevocationList{Number: big.NewInt(s.serial), ThisUpdate: noon.Add(-100 * day),
		NextUpdate: noon.Add(after)}
	for _, r := range revoked {
		list.RevokedCertificateEntries = append(list.RevokedCertificateEntries,
			x509.RevocationListEntry{SerialNumber: r.cert.SerialNumber, RevocationTime: list.ThisUpdate})
	}
	der, err := x509.CreateRevocationList(rand.Reader, list, s.cert, s.key)
	if err != nil {
		s.t.Fatal(err)
	}
	return der
}

func inPEM(kind string, ders ...[]byte) []byte {
	all := []byte{} // an empty file is read as such
	for _, der := range ders {
		all = append(all, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})...)
	}
	return all
}

// files are what settings with a client authority name; those that are nil are left out.
func files(t *testing.T, clock func() time.Time, crl []byte, authorities ...*signer) (*Gate, error) {
	t.Helper()
	var ders [][]byte
	for _, a := range authorities {
		ders = append(ders, a.cert.Raw)
	}
	contents := map[string][]byte{"ca": inPEM("CERTIFICATE", ders...), "crl": crl}
	s := Settings{Loopback: Free, TLS: TLS{ClientCA: "ca",
		Clients: map[string]string{"robot": "operator", "bench": "viewer"}}}
	if crl != nil {
		s.TLS.CRL = "crl"
	}
	return New(s, Options{Clock: clock, ReadFile: func(name string) ([]byte, error) { return contents[name], nil }})
}

func at(when time.Time) func() time.Time { return func() time.Time { return when } }

func shows(of ...*signer) *shown {
	s := &shown{}
	for _, one := range of {
		s.chain = append(s.chain, one.cert)
	}
	return s
}

// TestVerdictsOnCertificates: every way in which a chain does not count, and how long one that does counts at most.
func TestVerdictsOnCertificates(t *testing.T) {
	root, other := newSigner(t, "root"), newSigner(t, "other")
	middle := root.make(t, "middle", noon.Add(-day), noon.Add(30*day), true)
	robot, deep, lost := root.client("robot"), middle.client("robot"), root.client("robot")
	elsewhere := other.client("bench")
	for _, c := range []struct {
		name  string
		chain []*signer
		crl   []byte
		at    time.Duration
		want  Reason        // of a refusal
		until time.Duration // of one that counts
	}{
		{name: "good", chain: []*signer{robot}, until: 300 * day},
		{name: "the last moment", chain: []*signer{robot}, at: 300*day - time.Second, until: 300 * day},
		{name: "expired", chain: []*signer{robot}, at: 300*day + time.Second, want: CertificateExpired},
		{name: "not yet", chain: []*signer{robot}, at: -2 * day, want: CertificateNotYetValid},
		{name: "nobody's", chain: []*signer{newSigner(t, "x").client("robot")}, want: CertificateUntrusted},
		{name: "no role", chain: []*signer{root.client("stranger")}, want: CertificateUnlisted},
		{name: "without what is between", chain: []*signer{deep}, want: CertificateUntrusted},
		{name: "with it, whose end counts", chain: []*signer{deep, middle}, until: 30 * day},
		{name: "what is between has expired", chain: []*signer{deep, middle}, at: 31 * day, want: CertificateExpired},
		{name: "revoked", chain: []*signer{lost}, crl: inPEM("X509 CRL", root.revoke(9*day, lost)),
			want: CertificateRevoked},
		{name: "revoked, in DER", chain: []*signer{lost}, crl: root.revoke(9*day, lost), want: CertificateRevoked},
		{name: "another is revoked", chain: []*signer{robot}, crl: root.revoke(9*day, lost), until: 9 * day},
		{name: "in the second list", chain: []*signer{lost},
			crl: inPEM("X509 CRL", other.revoke(9*day), root.revoke(9*day, lost)), want: CertificateRevoked},
		{name: "in the first list of its authority", chain: []*signer{lost},
			crl: inPEM("X509 CRL", root.revoke(9*day, lost), root.revoke(8*day)), want: CertificateRevoked},
		{name: "what is between is revoked", chain: []*signer{deep, middle}, crl: root.revoke(9*day, middle),
			want: CertificateRevoked},
		// robot and elsewhere may have one number: it is the authority's own.
		{name: "the number of another's", chain: []*signer{elsewhere},
			crl: inPEM("X509 CRL", root.revoke(9*day, elsewhere)), until: 300 * day},
		{name: "its list is out of date", chain: []*signer{robot}, crl: root.revoke(9 * day), at: 9 * day,
			want: RevocationsStale},
		{name: "its list is just not out of date", chain: []*signer{robot}, crl: root.revoke(9 * day),
			at: 9*day - time.Second, until: 9 * day},
		{name: "one of its lists is out of date", chain: []*signer{robot}, at: 5 * day, until: 9 * day,
			crl: inPEM("X509 CRL", root.revoke(4*day), root.revoke(9*day))},
		{name: "both are", chain: []*signer{robot}, at: 10 * day, want: RevocationsStale,
			crl: inPEM("X509 CRL", root.revoke(4*day), root.revoke(9*day))},
		{name: "another's list is out of date", chain: []*signer{robot}, at: 10 * day, until: 20 * day,
			crl: inPEM("X509 CRL", root.revoke(20*day), other.revoke(4*day))},
		{name: "the list of the one above is out of date", chain: []*signer{deep, middle}, crl: root.revoke(9 * day),
			at: 9 * day, want: RevocationsStale},
	} {
		g, err := files(t, at(noon.Add(c.at)), c.crl, root, other)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		caller, refused := g.judge(shows(c.chain...))
		switch {
		case refused != nil && refused.Reason != c.want:
			t.Errorf("%s: refused for %s (%v), want %q", c.name, refused.Reason, refused, c.want)
		case refused == nil && (c.want != "" || !caller.Until.Equal(noon.Add(c.until))):
			t.Errorf("%s: counts until %v, want %q, %v", c.name, caller.Until, c.want, noon.Add(c.until))
		case refused == nil && caller.Role != map[string]Role{"robot": Operator, "bench": Viewer}[caller.Name]:
			t.Errorf("%s: %s has the role %s", c.name, caller.Name, caller.Role)
		}
	}
}

// TestListsThatCannotBeRead: what is no list, or is signed by none of the authorities, is an error at once.
func TestListsThatCannotBeRead(t *testing.T) {
	root, other, namesake := newSigner(t, "root"), newSigner(t, "other"), newSigner(t, "root")
	for name, crl := range map[string][]byte{
		"no list":                      []byte("nonsense"),
		"nothing":                      {},
		"no list, in PEM":              inPEM("X509 CRL", []byte("nonsense")),
		"another's":                    other.revoke(day),
		"another's behind one's own":   inPEM("X509 CRL", root.revoke(day), other.revoke(day)),
		"of an authority of that name": namesake.revoke(day),
	} {
		if _, err := files(t, at(noon), crl, root); err == nil || !strings.HasPrefix(err.Error(), "access.tls.crl: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := files(t, at(noon), root.revoke(day), other, namesake, root); err != nil {
		t.Errorf("the last authority's: %v", err)
	}
	if _, err := files(t, at(noon), nil); err == nil || !strings.Contains(err.Error(), "no certificate") {
		t.Errorf("no authority: %v", err)
	}
}

// TestAVerdictEndsWithItsList: a connection stays open, and nobody reloads; from the date of the next list on what was
// admitted is refused, on the next call and in the middle of one.
func TestAVerdictEndsWithItsList(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		root := newSigner(t, "root")
		began := time.Now()
		g, err := files(t, func() time.Time { return noon.Add(time.Since(began)) }, root.revoke(time.Hour), root)
		if err != nil {
			t.Fatal(err)
		}
		open := shows(root.client("robot"))
		c, refused := g.judge(open)
		if refused != nil {
			t.Fatal(refused)
		}
		time.Sleep(time.Hour - time.Second)
		if again, refused := g.judge(open); refused != nil || again != c {
			t.Errorf("before the date: %v, %v", again, refused)
		}
		err = g.Watch(t.Context(), c, "/facetd.v1.EventService/StreamEvents")
		if r, is := err.(*RefusedError); !is || r.Reason != RevocationsStale {
			t.Errorf("a stream past the date: %v", err)
		}
		if since := time.Since(began); since < time.Hour || since > time.Hour+2*time.Second {
			t.Errorf("the stream ended after %v", since)
		}
		if _, refused := g.judge(open); refused == nil || refused.Reason != RevocationsStale {
			t.Errorf("a call past the date: %v", refused)
		}
		if n := g.Refused()[string(RevocationsStale)]; n != 1 {
			t.Errorf("%d counted, want the one stream", n)
		}
	})
}

// TestWatchEnds: with its call, or as soon as newer material takes the role away.
func TestWatchEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, line, err := NewToken("bench", Operator, noon.Add(day))
		if err != nil {
			t.Fatal(err)
		}
		text := line.Line()
		g, err := New(Settings{Loopback: Checked, Tokens: "t"}, Options{Clock: at(noon),
			ReadFile: func(string) ([]byte, error) { return []byte(text), nil }})
		if err != nil {
			t.Fatal(err)
		}
		c, refused := g.judge(&shown{digest: line.Digest, hasToken: true})
		if refused != nil {
			t.Fatal(refused)
		}
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(10*time.Second, cancel)
		if err := g.Watch(ctx, c, "/facetd.v1.SceneService/SetScene"); err != nil {
			t.Errorf("the end of the call: %v", err)
		}
		if err := g.Watch(ctx, freeCaller, "/facetd.v1.SceneService/SetScene"); err != nil {
			t.Errorf("the end of a free call: %v", err)
		}
		if _, changed, err := g.Prepare(g.settings); err != nil || changed {
			t.Errorf("the same files: changed %v, %v", changed, err)
		}
		line.Role = Viewer
		text = line.Line()
		apply, changed, err := g.Prepare(g.settings)
		if err != nil || !changed {
			t.Fatalf("another role: changed %v, %v", changed, err)
		}
		began := time.Now()
		time.AfterFunc(200*time.Millisecond, apply)
		err = g.Watch(t.Context(), c, "/facetd.v1.SceneService/SetScene")
		if r, is := err.(*RefusedError); !is || r.Reason != MissingRole || time.Since(began) != 200*time.Millisecond {
			t.Errorf("after %v: %v", time.Since(began), err)
		}
	})
}

// TestOneBadLine: a single error is an error, and the tokens of the good lines do not count beside it.
func TestOneBadLine(t *testing.T) {
	good := "a viewer 2030-01-01 sha256:" + strings.Repeat("0", 64) + "\n"
	for name, text := range map[string]string{
		"the first":    "b see 2030-01-01 sha256:" + strings.Repeat("0", 64) + "\n" + good,
		"the last":     good + "b viewer soon sha256:" + strings.Repeat("0", 64),
		"a name twice": good + good,
	} {
		tokens, errs := ParseTokens("t", []byte(text))
		if tokens != nil || len(errs) != 1 {
			t.Errorf("%s: %v, %v", name, tokens, errs)
		}
		_, err := New(Settings{Loopback: Checked, Tokens: "t"},
			Options{ReadFile: func(string) ([]byte, error) { return []byte(text), nil }})
		if found, is := err.(invalid.Errors); !is || len(found) != 1 {
			t.Errorf("%s: %v", name, err)
		}
	}
	var many strings.Builder
	for i := range maxTokens + 1 {
		fmt.Fprintf(&many, "t%d viewer 2030-01-01 sha256:%064d\n", i, i)
	}
	if tokens, errs := ParseTokens("t", []byte(many.String())); tokens != nil || len(errs) != 1 {
		t.Errorf("one token too many: %d tokens, %v", len(tokens), errs)
	}
	most, _, _ := strings.Cut(many.String(), fmt.Sprintf("t%d ", maxTokens))
	if tokens, errs := ParseTokens("t", []byte(most)); len(tokens) != maxTokens || errs != nil {
		t.Errorf("as many as there may be: %d tokens, %v", len(tokens), errs)
	}
}
