// Package accesstest makes certificates, revocation lists and token files for tests.
package accesstest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"facetd.example/daemon/access"
)

// Authority signs certificates. Its files and those it makes are in Dir.
type Authority struct {
	Dir    string
	t      testing.TB
	cert   *x509.Certificate
	key    *ecdsa.PrivateKey
	serial int64
}

// NewAuthority makes an authority in a folder of the test's; its own certificate is
// the file ca.pem.
func NewAuthority(t testing.TB, name string) *Authority {
	t.Helper()
	a := &Authority{Dir: t.TempDir(), t: t, key: newKey(t), serial: 1}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().AddDate(-10, 0, 0), NotAfter: time.Now().AddDate(10, 0, 0),
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, a.key.Public(), a.key)
	if err == nil {
		a.cert, err = x509.ParseCertificate(der)
	}
	if err != nil {
		t.Fatal(err)
	}
	a.write("ca.pem", "CERTIFICATE", der)
	return a
}

func newKey(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func (a *Authority) write(name, kind string, der []byte) string {
	a.t.Helper()
	path := filepath.Join(a.Dir, name)
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		a.t.Fatal(err)
	}
	return path
}

// CA is the authority's own file.
func (a *Authority) CA() string { return filepath.Join(a.Dir, "ca.pem") }

// Pool holds the authority alone.
func (a *Authority) Pool() *x509.CertPool {
	p := x509.NewCertPool()
	p.AddCert(a.cert)
	return p
}

// Identity is a certificate with its key, and their files.
type Identity struct {
	tls.Certificate
	CertFile, KeyFile string
	X509              *x509.Certificate
}

// Client makes a client's certificate that counts from one time to another.
func (a *Authority) Client(name string, from, to time.Time) Identity {
	return a.issue(name, x509.ExtKeyUsageClientAuth, from, to)
}

// Server makes the daemon's certificate for addresses and names.
func (a *Authority) Server(hosts ...string) Identity {
	return a.issue("facetd", x509.ExtKeyUsageServerAuth, time.Now().Add(-time.Hour), time.Now().AddDate(1, 0, 0),
		hosts...)
}

func (a *Authority) issue(name string, usage x509.ExtKeyUsage, from, to time.Time, hosts ...string) Identity {
	a.t.Helper()
	a.serial++
	template := &x509.Certificate{
		SerialNumber: big.NewInt(a.serial), Subject: pkix.Name{CommonName: name}, NotBefore: from, NotAfter: to,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{usage},
	}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, h)
		}
	}
	key := newKey(a.t)
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, key.Public(), a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	id := Identity{CertFile: a.write(name+".pem", "CERTIFICATE", der),
		KeyFile: a.write(name+".key", "PRIVATE KEY", raw)}
	if id.X509, err = x509.ParseCertificate(der); err != nil {
		a.t.Fatal(err)
	}
	if id.Certificate, err = tls.LoadX509KeyPair(id.CertFile, id.KeyFile); err != nil {
		a.t.Fatal(err)
	}
	return id
}

// Revoke writes the revocation list crl.pem, to be replaced by next, of these
// certificates, and returns its path.
func (a *Authority) Revoke(next time.Time, revoked ...Identity) string {
	a.t.Helper()
	a.serial++
	list := &x509.RevocationList{Number: big.NewInt(a.serial), ThisUpdate: next.AddDate(-1, 0, 0), NextUpdate: next}
	for _, r := range revoked {
		list.RevokedCertificateEntries = append(list.RevokedCertificateEntries,
			x509.RevocationListEntry{SerialNumber: r.X509.SerialNumber, RevocationTime: list.ThisUpdate})
	}
	der, err := x509.CreateRevocationList(rand.Reader, list, a.cert, a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	return a.write("crl.pem", "X509 CRL", der)
}

// Tokens is a token file.
type Tokens struct {
	Path string
	t    testing.TB
	text string
}

// NewTokens makes an empty token file.
func NewTokens(t testing.TB) *Tokens {
	f := &Tokens{Path: filepath.Join(t.TempDir(), "tokens"), t: t}
	f.write()
	return f
}

func (f *Tokens) write() {
	f.t.Helper()
	if err := os.WriteFile(f.Path, []byte(f.text), 0o600); err != nil {
		f.t.Fatal(err)
	}
}

// Add puts a token into the file and returns it.
func (f *Tokens) Add(name string, role access.Role, expires time.Time) string {
	f.t.Helper()
	token, line, err := access.NewToken(name, role, expires)
	if err != nil {
		f.t.Fatal(err)
	}
	f.text += line.Line() + "\n"
	f.write()
	return token
}

// Clear takes all tokens away.
func (f *Tokens) Clear() {
	f.text = ""
	f.write()
}

// Outside is an address of this machine that is not a loopback one; a test
// on a machine without one is skipped.
func Outside(t testing.TB) string {
	t.Helper()
	all, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range all {
		if ip, is := a.(*net.IPNet); is && ip.IP.IsGlobalUnicast() && ip.IP.To4() != nil {
			return ip.IP.String()
		}
	}
	t.Skip("this machine has no address but loopback ones")
	return ""
}
