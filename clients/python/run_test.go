package python

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"facetd.example/api/peertest"
)

// python returns a python3 that has what the client needs.
func python(t *testing.T) string {
	t.Helper()
	return peertest.Python(t, "grpc", "google.protobuf", "numpy")
}

var built struct {
	once sync.Once
	dir  string
	out  []byte
	err  error
}

// TestMain removes the daemon that was built, if it was.
func TestMain(m *testing.M) {
	peertest.Parallel(12) // each of the modules, the test that starts them, and the other client
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		if built.dir != "" {
			os.RemoveAll(built.dir)
		}
		os.Exit(code)
	}))
}

// facetd returns the path of a freshly built daemon.
func facetd(t *testing.T) string {
	t.Helper()
	built.once.Do(func() {
		if built.dir, built.err = os.MkdirTemp("", "facetd"); built.err == nil {
			built.out, built.err = exec.Command("go", "build", "-ldflags", "-s -w", "-o",
				built.dir, "facetd.example/daemon/facetd").CombinedOutput()
		}
	})
	if built.err != nil {
		t.Fatalf("%v\n%s", built.err, built.out)
	}
	return filepath.Join(built.dir, "facetd")
}

// command is python3 with the client on its path.
func command(t *testing.T, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(t.Context(), python(t), args...)
	cmd.Env = append(os.Environ(), "PYTHONPATH=.", "PYTHONDONTWRITEBYTECODE=1", "FACETD_BINARY="+facetd(t))
	return cmd
}

// TestPython runs the tests that are written in Python; none of them may be skipped.
func TestPython(t *testing.T) {
	python(t)
	t.Parallel()
	certificates := t.TempDir()
	writeCertificates(t, certificates)
	modules, err := filepath.Glob("tests/test_*.py")
	if err != nil || len(modules) < 4 {
		t.Fatalf("tests in Python: %v, %v", modules, err)
	}
	for _, file := range modules {
		module := strings.TrimSuffix(filepath.Base(file), ".py")
		t.Run(module, func(t *testing.T) {
			t.Parallel()
			cmd := command(t, "-X", "dev", "-m", "unittest", "-v", "tests."+module)
			cmd.Env = append(cmd.Env, "FACETD_CERTIFICATES="+certificates)
			out, err := cmd.CombinedOutput()
			if err != nil || strings.Contains(string(out), "skipped") {
				t.Errorf("%v\n%s", err, out)
			}
		})
	}
}

// daemon runs facetd with these arguments until the test ends, and returns its address.
func daemon(t *testing.T, args ...string) string {
	t.Helper()
	cmd := exec.Command(facetd(t), append([]string{"--listen", "127.0.0.1:0", "--http", "", "--log-level", "error",
		"--max-lag", "0s"}, args...)...)
	cmd.Stderr = t.Output()
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if address, is := strings.CutPrefix(lines.Text(), "gRPC"); is {
			return strings.TrimSpace(address)
		}
	}
	t.Fatal("facetd printed no address")
	return ""
}

// writeCertificates writes an authority (ca.pem), a server's and a client's certificate
// by it with their keys, and an authority that has nothing to do with them (other.pem).
func writeCertificates(t *testing.T, dir string) {
	t.Helper()
	number := int64(0)
	write := func(name, kind string, der []byte) {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}),
			0o600); err != nil {
			t.Fatal(err)
		}
	}
	make := func(name string, parent *x509.Certificate, parentKey *ecdsa.PrivateKey) (*x509.Certificate,
		*ecdsa.PrivateKey) {
		number++
		key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		c := &x509.Certificate{
			SerialNumber: big.NewInt(number), Subject: pkix.Name{CommonName: name},
			NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
			DNSNames: []string{"facetd.test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
			ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
			KeyUsage:    x509.KeyUsageDigitalSignature,
		}
		if parent == nil {
			c.IsCA, c.BasicConstraintsValid, c.KeyUsage, c.ExtKeyUsage = true, true, x509.KeyUsageCertSign, nil
			parent, parentKey = c, key
		}
		der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, parentKey)
		if err != nil {
			t.Fatal(err)
		}
		packed, err := x509.MarshalPKCS8PrivateKey(key)
		if err != nil {
			t.Fatal(err)
		}
		write(name+".pem", "CERTIFICATE", der)
		write(name+".key", "PRIVATE KEY", packed)
		return c, key
	}
	ca, key := make("ca", nil, nil)
	make("server", ca, key)
	make("client", ca, key)
	make("other", nil, nil)
}
