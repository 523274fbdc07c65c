package acceptance

import (
	"bytes"
	"crypto/tls"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/daemon/access"
	"facetd.example/daemon/access/accesstest"
)

// outcome runs a program that may fail.
func outcome(t *testing.T, program string, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := exec.Command(program, args...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), out.String(), errs.String()
}

// newToken makes a token with the real command.
func newToken(t *testing.T, file, name, role string) (tokenFile string) {
	t.Helper()
	var made struct{ Token string }
	if err := json.Unmarshal([]byte(run(t, binary(t, "facetd"), "token", "new", "--name", name, "--role", role,
		"--expires", "1d", "--file", file, "--output", "json")), &made); err != nil {
		t.Fatal(err)
	}
	tokenFile = filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(tokenFile, []byte(made.Token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return tokenFile
}

// TestAccessFromElsewhere runs the real daemon where other machines could reach it, and
// asks it as they would.
func TestAccessFromElsewhere(t *testing.T) {
	t.Parallel()
	host := accesstest.Outside(t)
	ca := accesstest.NewAuthority(t, "bench authority")
	own := ca.Server(host)
	now := time.Now()
	good := ca.Client("bench", now.Add(-time.Hour), now.Add(time.Hour))
	dir := t.TempDir()
	tokens := filepath.Join(dir, "tokens")
	viewer, operator := newToken(t, tokens, "watcher", "viewer"), newToken(t, tokens, "driver", "operator")
	config := filepath.Join(dir, "facetd.yaml")
	text := "pace: free\nscene: uniform:200\nlisten: {unix: s}\naccess:\n  tokens: tokens\n  tls:\n    certificate: " +
		own.CertFile + "\n    key: " + own.KeyFile +
		"\n    client_ca: " + ca.CA() + "\n    crl: " + ca.Revoke(now.Add(time.Hour)) +
		"\n    clients: {bench: viewer}\n"
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	facetd, facetctl := binary(t, "facetd"), binary(t, "facetctl")

	// Without access control it does not start, and says what to do.
	status, _, errs := outcome(t, facetd, "--listen", host+":0")
	if status != 2 || !strings.Contains(errs, "access.tls.certificate") {
		t.Errorf("without access control: %d %s", status, errs)
	}
	run(t, facetd, "check", "--config", config)

	d := start(t, "--config", config, "--listen", host+":0", "--http", host+":0")
	run(t, facetd, "healthcheck", "--address", "unix:"+filepath.Join(dir, "s"))
	ask := func(args ...string) (int, string) {
		status, out, errs := outcome(t, facetctl, append([]string{"--address", d.grpc}, args...)...)
		return status, out + errs
	}
	with := func(token string) []string { return []string{"--tls-ca", ca.CA(), "--token-file", token} }
	client := func(id accesstest.Identity) []string {
		return []string{"--tls-ca", ca.CA(), "--tls-cert", id.CertFile, "--tls-key", id.KeyFile}
	}
	wrong := filepath.Join(dir, "wrong")
	if err := os.WriteFile(wrong, []byte("facetd_wrong"), 0o600); err != nil {
		t.Fatal(err)
	}
	remove := []string{"tasks", "remove", "bow"}
	for _, c := range []struct {
		name   string
		args   []string
		status int
		want   string
	}{
		{"looks with a token", append(with(viewer), "status"), 0, "running"},
		{"operates as a viewer", append(with(viewer), remove...), 1, "watcher has the role viewer"},
		{"operates with a token", append(with(operator), remove...), 0, ""},
		{"looks with a certificate", append(client(good), "status"), 0, "running"},
		{"operates with a viewer's certificate", append(client(good), remove...), 1, "bench has the role viewer"},
		{"shows nothing", []string{"--tls-ca", ca.CA(), "status"}, 1, "give --token-file, or --tls-cert and --tls-key"},
		{"shows a wrong token", append(with(wrong), "status"), 1, "the token does not count here"},
		{"shows an expired certificate", append(client(ca.Client("bench-old", now.Add(-2*time.Hour),
			now.Add(-time.Hour))), "status"), 1, "bench-old.pem expired on"},
		{"shows a certificate of tomorrow", append(client(ca.Client("bench-new", now.Add(time.Hour),
			now.Add(2*time.Hour))), "status"), 1, "bench-new.pem counts from"},
		{"shows a strange certificate", append(client(ca.Client("stranger", now.Add(-time.Hour), now.Add(time.Hour))),
			"status"), 1, "refuses the certificate"},
		{"does not speak TLS", []string{"status"}, 1, "speaks TLS: give --tls-ca"},
		{"trusts somebody else", []string{"--tls-ca", accesstest.NewAuthority(t, "else").CA(), "--token-file", viewer,
			"status"}, 1, "another authority"},
		{"sends a token in the clear", []string{"--token-file", viewer, "status"}, 2, "in the clear"},
	} {
		if status, out := ask(c.args...); status != c.status || !strings.Contains(out, c.want) {
			t.Errorf("one who %s: status %d\n%s", c.name, status, out)
		}
	}
	testRevocation(t, d, ca, good, ask)
	testCounts(t, d, ca, viewer)
	if err := d.stop(t); err != nil {
		t.Errorf("%v\n%s", err, d.output)
	}
}

// testRevocation: SIGHUP takes a new list over, and ends what the certificate opened.
func testRevocation(t *testing.T, d *daemon, ca *accesstest.Authority, id accesstest.Identity,
	ask func(...string) (int, string)) {
	cmd := exec.Command(binary(t, "facetctl"), "--address", d.grpc, "--tls-ca", ca.CA(), "--tls-cert", id.CertFile,
		"--tls-key", id.KeyFile, "status", "--watch", "--output", "json")
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadAtLeast(out, make([]byte, 1), 1); err != nil {
		t.Fatal(err, errs.String())
	}
	ca.Revoke(time.Now().Add(time.Hour), id)
	begin := time.Now()
	if err := d.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	_, _ = io.Copy(io.Discard, out)
	if err := cmd.Wait(); err == nil || !strings.Contains(errs.String(), "was revoked") {
		t.Errorf("a stream of a revoked certificate ended with %v: %s", err, &errs)
	}
	// The reload itself reads files, on a machine that others keep busy; daemon/server measures it more closely.
	if took := time.Since(begin); took > access.EndOfStreamLimit+20*time.Second {
		t.Errorf("it took %v", took)
	}
	if status, out := ask("--tls-ca", ca.CA(), "--tls-cert", id.CertFile, "--tls-key", id.KeyFile,
		"status"); status != 1 {
		t.Errorf("a revoked certificate: %d %s", status, out)
	}
}

// testCounts reads the metrics with a token.
func testCounts(t *testing.T, d *daemon, ca *accesstest.Authority, tokenFile string) {
	token, err := os.ReadFile(tokenFile)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(t.Context(), "GET", d.http+"/metrics", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	a, err := (&http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: ca.Pool()}}}).Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	body, err := io.ReadAll(a.Body)
	if err != nil || a.StatusCode != 200 {
		t.Fatalf("%d %v", a.StatusCode, err)
	}
	for _, reason := range []string{"no_credentials", "token_unknown", "certificate_expired",
		"certificate_not_yet_valid", "certificate_unlisted", "certificate_revoked", "missing_role"} {
		if !regexp.MustCompile(`facetd_access_refused_total\{reason="` + reason + `"\} [1-9]`).Match(body) {
			t.Errorf("%s was not counted", reason)
		}
	}
}

// TestGenericClientWithAToken: a client that knows nothing of facetd gets in with TLS and
// a token.
func TestGenericClientWithAToken(t *testing.T) {
	t.Parallel()
	grpcurl := peertest.Program(t, "grpcurl")
	host := accesstest.Outside(t)
	ca := accesstest.NewAuthority(t, "bench authority")
	own, tokens := ca.Server(host), accesstest.NewTokens(t)
	token := tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour))
	config := filepath.Join(t.TempDir(), "facetd.yaml")
	text := "pace: free\nscene: uniform:200\naccess: {tokens: " + tokens.Path + ", tls: {certificate: " + own.CertFile +
		", key: " + own.KeyFile + "}}\n"
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	d := start(t, "--config", config, "--listen", host+":0")
	if out := run(t, grpcurl, "-cacert", ca.CA(), "-H", "authorization: Bearer "+token, d.grpc,
		"list"); !strings.Contains(out, "facetd.v1.TaskService") {
		t.Errorf("the list is %s", out)
	}
	if status, out, errs := outcome(t, grpcurl, "-cacert", ca.CA(), d.grpc, "list"); status == 0 ||
		!strings.Contains(out+errs, "asks for a token") {
		t.Errorf("without a token: %d %s%s", status, out, errs)
	}
}
