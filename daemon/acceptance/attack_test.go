package acceptance

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/access"
	"facetd.example/daemon/access/accesstest"
)

const (
	attackers      = 30
	mostMemory     = 64 << 20
	mostAnswerTime = time.Second
)

// attacked is a daemon that other machines can reach.
type attacked struct {
	*daemon
	tls   *tls.Config
	ca    string // file
	token string // of an operator
}

func startAttacked(t *testing.T, args ...string) *attacked {
	t.Helper()
	host := accesstest.Outside(t)
	ca := accesstest.NewAuthority(t, "bench authority")
	own, tokens := ca.Server(host), accesstest.NewTokens(t)
	a := &attacked{token: tokens.Add("driver", access.Operator, time.Now().Add(time.Hour)),
		ca:  ca.CA(),
		tls: &tls.Config{RootCAs: ca.Pool(), NextProtos: []string{"h2"}}}
	config := filepath.Join(t.TempDir(), "facetd.yaml")
	text := "access: {tokens: " + tokens.Path + ", tls: {certificate: " + own.CertFile + ", key: " + own.KeyFile +
		"}}\n"
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	a.daemon = start(t, append(args, "--config", config, "--listen", host+":0", "--http", host+":0")...)
	return a
}

// dial makes a client that connects anew.
func (a *attacked) dial(t *testing.T) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(a.grpc, grpc.WithTransportCredentials(credentials.NewTLS(a.tls.Clone())))
	if err != nil {
		t.Fatal(err)
	}
	return conn
}

func (a *attacked) status(ctx context.Context, conn *grpc.ClientConn) (*facetdv1.Status, error) {
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+a.token),
		patience)
	defer cancel()
	r, err := facetdv1.NewStatusServiceClient(conn).GetStatus(ctx, &facetdv1.GetStatusRequest{})
	return r.GetStatus(), err
}

// resident is how many bytes a process has resident.
func resident(t *testing.T, pid int) int64 {
	t.Helper()
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(data) {
		if f := strings.Fields(string(line)); f[0] == "VmRSS:" {
			kib, err := strconv.ParseInt(f[1], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return kib << 10
		}
	}
	t.Fatal("the system does not tell the memory of a process")
	return 0
}

// watched is what was seen of a daemon for a while.
type watched struct {
	memory          int64         // most that was resident
	slowest         time.Duration // of an operator's calls
	calls, failed   int
	ended, missed   uint64 // jobs
	took            time.Duration
	planned         float64 // jobs a second
	firstFailure    error
	slowestOnNewOne time.Duration
}

// watch calls as an operator, now over a connection that stands and now over a new one, and looks at the memory.
func (a *attacked) watch(t *testing.T, standing *grpc.ClientConn, during time.Duration) (w watched) {
	t.Helper()
	before, err := a.status(t.Context(), standing)
	if err != nil {
		t.Fatal(err)
	}
	w.memory = resident(t, a.cmd.Process.Pid)
	started := time.Now()
	for until := started.Add(during); time.Now().Before(until); time.Sleep(20 * time.Millisecond) {
		conn := standing
		anew := w.calls%2 == 1
		begin := time.Now()
		if anew {
			conn = a.dial(t)
		}
		_, err := a.status(t.Context(), conn)
		took := time.Since(begin)
		if anew {
			conn.Close()
			w.slowestOnNewOne = max(w.slowestOnNewOne, took)
		}
		w.slowest = max(w.slowest, took)
		w.calls++
		if err != nil {
			w.failed++
			if w.firstFailure == nil {
				w.firstFailure = err
			}
		}
		w.memory = max(w.memory, resident(t, a.cmd.Process.Pid))
	}
	after, err := a.status(t.Context(), standing)
	if err != nil {
		t.Fatal(err)
	}
	w.took = time.Since(started)
	for _, s := range after.GetTasks() {
		w.planned += s.GetStatus().GetPlannedRateHz()
		w.ended += s.GetStatus().GetJobsOnTime() + s.GetStatus().GetJobsLate() + s.GetStatus().GetJobsFailed()
		w.missed += s.GetStatus().GetJobsLate() + s.GetStatus().GetJobsFailed()
	}
	for _, s := range before.GetTasks() {
		w.ended -= s.GetStatus().GetJobsOnTime() + s.GetStatus().GetJobsLate() + s.GetStatus().GetJobsFailed()
		w.missed -= s.GetStatus().GetJobsLate() + s.GetStatus().GetJobsFailed()
	}
	return w
}

// rate is how many jobs ended in a second.
func (w *watched) rate() float64 { return float64(w.ended) / w.took.Seconds() }

// orders are what the process of the attackers is told.
type orders struct {
	GRPC, HTTP string
	CA         []byte // PEM
	For        time.Duration
}

// ready is the first line of the process of the attackers, when they begin.
const ready = "ready"

// attackerEnv holds the orders, as JSON, in the environment of the process of the attackers.
const attackerEnv = "FACETD_TEST_ATTACKERS"

// attack lets attackers loose for a while, and returns when they begin. They are a process of their own with the lowest
// priority, as of strangers on other machines, whose work costs this one nothing.
func (a *attacked) attack(t *testing.T, during time.Duration) (wait func() map[string]int64) {
	t.Helper()
	ca, err := os.ReadFile(a.ca)
	if err != nil {
		t.Fatal(err)
	}
	told, err := json.Marshal(orders{a.grpc, strings.TrimPrefix(a.http, "https://"), ca, during})
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "nice", "-n", "19", os.Args[0], "-test.run", "^TestAttackers$")
	cmd.Env = append(os.Environ(), attackerEnv+"="+string(told))
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewReader(out)
	if line, err := lines.ReadString('\n'); line != ready+"\n" {
		t.Fatalf("the attackers: %q, %v\n%s", line, err, &errs)
	}
	return func() map[string]int64 {
		counts := map[string]int64{}
		line, _ := lines.ReadString('\n')
		_, _ = io.Copy(io.Discard, lines)
		if err := cmd.Wait(); err != nil {
			t.Fatalf("the attackers: %v\n%s%s", err, line, &errs)
		}
		if err := json.Unmarshal([]byte(line), &counts); err != nil {
			t.Fatalf("the attackers: %v\n%s", err, line)
		}
		return counts
	}
}

// TestAttackers is no test but the process of the attackers.
func TestAttackers(t *testing.T) {
	told := os.Getenv(attackerEnv)
	if told == "" {
		t.Skip("this is the process that TestStrangersTakeNothing starts")
	}
	var o orders
	if err := json.Unmarshal([]byte(told), &o); err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(o.CA) {
		t.Fatal("no certificate of an authority")
	}
	how := &tls.Config{RootCAs: pool, NextProtos: []string{"h2"}}
	var all sync.WaitGroup
	kinds := slices.Sorted(maps.Keys(attacks))
	counts := make([]atomic.Int64, len(kinds))
	fmt.Println(ready)
	for i := range attackers {
		all.Go(func() {
			kind := i % len(kinds)
			one := &attack{grpc: o.GRPC, http: o.HTTP, tls: how, until: time.Now().Add(o.For)}
			for n := 0; n == 0 || !one.over(); n++ {
				_ = attacks[kinds[kind]](one) // the daemon may end any of them as it likes
				counts[kind].Add(1)
			}
		})
	}
	all.Wait()
	out := map[string]int64{}
	for i, k := range kinds {
		out[k] = counts[i].Load()
	}
	if err := json.NewEncoder(os.Stdout).Encode(out); err != nil {
		t.Fatal(err)
	}
}

// TestStrangersTakeNothing: while thirty without credentials do what they can, the daemon's memory stays, its jobs are
// on time, and an operator is answered. FACETD_ATTACK says for how many seconds; .ci/long takes 60.
func TestStrangersTakeNothing(t *testing.T) {
	// In an ordinary run the machine is busy with other tests, and a host stands still for longer than a bus allows:
	// what counts there is that the daemon gets as much done as without the attack.
	during, args, most := time.Second, []string{"--max-lag", "0s"}, 10*time.Second
	if s := os.Getenv("FACETD_ATTACK"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		during, args, most = time.Duration(n)*time.Second, nil, mostAnswerTime
	} else {
		t.Parallel()
	}
	d := startAttacked(t, args...)
	standing := d.dial(t)
	defer standing.Close()
	alone := d.watch(t, standing, min(during, 10*time.Second))
	wait := d.attack(t, during)
	under := d.watch(t, standing, during)
	counts := wait()
	t.Logf("alone: %+v", alone)
	t.Logf("under attack: %+v, by %v", under, counts)
	rise := under.memory - alone.memory
	t.Logf("the memory rose by %d MB; %d of %d jobs late or failed; an operator waited %v at most, %v without the "+
		"attack",
		rise>>20, under.missed, under.ended, under.slowest.Round(time.Millisecond),
		alone.slowest.Round(time.Millisecond))
	if rise > mostMemory {
		t.Errorf("the memory rose by %d MB to %d MB", rise>>20, under.memory>>20)
	}
	if under.failed > 0 {
		t.Errorf("%d of an operator's %d calls failed, the first with %v", under.failed, under.calls,
			under.firstFailure)
	}
	if under.slowest > most+alone.slowest {
		t.Errorf("an operator waited %v, %v without the attack", under.slowest, alone.slowest)
	}
	if under.ended == 0 || under.missed > alone.missed {
		t.Errorf("%d of %d jobs were late or failed, %d of %d without the attack", under.missed, under.ended,
			alone.missed,
			alone.ended)
	}
	// A daemon that was behind has more to do than is planned. On a machine that leaves it too little to do that even
	// alone, nothing can be said.
	if rate := min(alone.rate(), alone.planned); rate > 0.9*alone.planned && under.rate() < 0.5*rate {
		t.Errorf("%.1f jobs a second, %.1f without the attack", under.rate(), rate)
	}
	if err := d.stop(t); err != nil {
		t.Errorf("%v\n%s", err, d.output)
	}
}
