package access

import (
	"bytes"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"

	"facetd.example/api/invalid"
)

// material is what was read of all files, at once. It never changes.
type material struct {
	settings    Settings
	digest      [sha256.Size]byte // of the settings and all files
	certificate *tls.Certificate  // nil without TLS
	authorities *x509.CertPool    // nil where client certificates do not count
	lists       []*x509.RevocationList
	revoked     map[string]bool // by revokedKey
	clients     map[string]Role
	tokens      []Token
	hasTokens   bool // a token file was read, be it empty

	replaced chan struct{} // closed once there is newer material
}

// read reads everything, and collects all errors.
func (s *Settings) read(readFile, readKey func(string) ([]byte, error)) (*material, invalid.Errors) {
	m := &material{settings: *s, revoked: map[string]bool{}, clients: map[string]Role{}, replaced: make(chan struct{})}
	var wrong invalid.Errors
	sum := sha256.New()
	fmt.Fprintf(sum, "%+v", *s) // maps are printed in order
	defer func() { sum.Sum(m.digest[:0]) }()
	read := func(path, name string, readFile func(string) ([]byte, error)) []byte {
		if name == "" {
			return nil
		}
		b, err := readFile(name)
		if err != nil {
			wrong.Add(path, err.Error(), "")
			return nil
		}
		fmt.Fprintf(sum, "%s %d\n%s", path, len(b), b)
		return b
	}
	data := func(path, name string) []byte { return read(path, name, readFile) }
	cert, key := data("access.tls.certificate", s.TLS.Certificate), read("access.tls.key", s.TLS.Key, readKey)
	if cert != nil && key != nil {
		pair, err := tls.X509KeyPair(cert, key)
		if err != nil {
			wrong.Add("access.tls.certificate", err.Error(), "give a PEM certificate and the PEM key that it is for")
		}
		m.certificate = &pair
	}
	var authorities []*x509.Certificate
	if b := data("access.tls.client_ca", s.TLS.ClientCA); b != nil {
		var err error
		if authorities, err = parseCertificates(b); err != nil {
			wrong.Add("access.tls.client_ca", err.Error(), "give PEM certificates of authorities")
		}
		m.authorities = x509.NewCertPool()
		for _, a := range authorities {
			m.authorities.AddCert(a)
		}
	}
	if b := data("access.tls.crl", s.TLS.CRL); b != nil {
		if err := m.revoke(b, authorities); err != nil {
			wrong.Add("access.tls.crl", err.Error(),
				"give PEM or DER revocation lists that the authorities of access.tls.client_ca signed")
		}
	}
	for name, role := range s.TLS.Clients {
		m.clients[name], _ = ParseRole(role) // Check was asked
	}
	if b := data("access.tokens", s.Tokens); b != nil || s.Tokens != "" {
		var found invalid.Errors
		m.hasTokens = true
		m.tokens, found = ParseTokens(s.Tokens, b)
		wrong = append(wrong, found...)
	}
	return m, wrong
}

func parseCertificates(data []byte) ([]*x509.Certificate, error) {
	var all []*x509.Certificate
	for {
		var block *pem.Block
		if block, data = pem.Decode(data); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	if len(all) == 0 {
		return nil, errors.New("there is no certificate")
	}
	return all, nil
}

// revoke reads revocation lists, each signed by one of the authorities.
func (m *material) revoke(data []byte, authorities []*x509.Certificate) error {
	ders := [][]byte{}
	for rest := data; ; {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil {
			break
		}
		if block.Type == "X509 CRL" {
			ders = append(ders, block.Bytes)
		}
	}
	if len(ders) == 0 {
		ders = append(ders, data)
	}
	for _, der := range ders {
		list, err := x509.ParseRevocationList(der)
		if err != nil {
			return err
		}
		if !signedByOne(list, authorities) {
			return fmt.Errorf("the list of %s is signed by no authority of access.tls.client_ca", list.Issuer)
		}
		m.lists = append(m.lists, list)
		for _, e := range list.RevokedCertificateEntries {
			m.revoked[revokedKey(list.RawIssuer, e.SerialNumber.Bytes())] = true
		}
	}
	return nil
}

func signedByOne(list *x509.RevocationList, authorities []*x509.Certificate) bool {
	for _, a := range authorities {
		if bytes.Equal(a.RawSubject, list.RawIssuer) && list.CheckSignatureFrom(a) == nil {
			return true
		}
	}
	return false
}

func revokedKey(issuer, serial []byte) string { return string(issuer) + "\x00" + string(serial) }

// judge says what a chain of certificates, the caller's own first, may do, and until
// when that holds at most.
func (m *material) judge(chain []*x509.Certificate, now time.Time) (Caller, *RefusedError) {
	leaf := chain[0]
	name := nameOf(leaf)
	if m.authorities == nil {
		return Caller{}, refuse(CertificateUntrusted, name, "client certificates do not count here: show a token")
	}
	opts := x509.VerifyOptions{
		Roots: m.authorities, Intermediates: x509.NewCertPool(), CurrentTime: now,
		KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
	for _, c := range chain[1:] {
		opts.Intermediates.AddCert(c)
	}
	verified, err := leaf.Verify(opts)
	var invalid x509.CertificateInvalidError
	switch {
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired && invalid.Cert != nil &&
		now.Before(invalid.Cert.NotBefore):
		return Caller{}, refuse(CertificateNotYetValid, name, "the certificate of %s counts from %s on",
			nameOf(invalid.Cert), invalid.Cert.NotBefore.UTC().Format(time.RFC3339))
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired && invalid.Cert != nil:
		return Caller{}, refuse(CertificateExpired, name, "the certificate of %s expired on %s", nameOf(invalid.Cert),
			invalid.Cert.NotAfter.UTC().Format(time.RFC3339))
	case err != nil:
		return Caller{}, refuse(CertificateUntrusted, name, "the certificate of %s does not count: %v", name, err)
	}
	// Any path to an authority would do for x509; for revocation the first one counts.
	path := verified[0]
	caller := Caller{Name: name, Until: leaf.NotAfter}
	for i, c := range path[:len(path)-1] {
		if m.revoked[revokedKey(c.RawIssuer, c.SerialNumber.Bytes())] {
			return Caller{}, refuse(CertificateRevoked, name, "the certificate of %s was revoked", nameOf(c))
		}
		caller.Until = earlier(caller.Until, c.NotAfter)
		for _, list := range m.lists {
			if list.NextUpdate.IsZero() || !bytes.Equal(list.RawIssuer, c.RawIssuer) {
				continue
			}
			if !now.Before(list.NextUpdate) && !m.newerList(list, now) {
				return Caller{}, refuse(RevocationsStale, name,
					"the revocation list of %s should have been replaced by %s", nameOf(path[i+1]),
					list.NextUpdate.UTC().Format(time.RFC3339))
			}
			if now.Before(list.NextUpdate) {
				caller.Until = earlier(caller.Until, list.NextUpdate)
			}
		}
	}
	role, listed := m.clients[leaf.Subject.CommonName]
	if !listed {
		role, listed = m.clients[AnyName]
	}
	if !listed {
		return Caller{}, refuse(CertificateUnlisted, name,
			"the certificate of %s has no role here: access.tls.clients does not list it", name)
	}
	caller.Role = role
	return caller, nil
}

// nameOf is a certificate's name as it may stand in the log: strangers choose theirs.
func nameOf(c *x509.Certificate) string {
	name := strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, c.Subject.CommonName)
	return shorten(name)
}

// newerList reports whether another list of the same authority is in date.
func (m *material) newerList(old *x509.RevocationList, now time.Time) bool {
	for _, list := range m.lists {
		if list != old && bytes.Equal(list.RawIssuer, old.RawIssuer) && now.Before(list.NextUpdate) {
			return true
		}
	}
	return false
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
