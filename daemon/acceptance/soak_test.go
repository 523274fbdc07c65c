package acceptance

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/daemon/access"
)

// What a daemon may have more of after a soak than before, since a sample comes at any instant of its own work.
const (
	moreGoroutines = 5
	moreFiles      = 5
	moreMemory     = 12 << 20
)

// usage is what a daemon holds while nobody asks anything of it.
type usage struct {
	Goroutines, Files int
	Memory            int64
}

var usageLine = regexp.MustCompile(`(?m)^(go_goroutines|process_open_fds|process_resident_memory_bytes) (\S+)$`)

// usage reads it from the metrics.
func (a *attacked) usage(t *testing.T, client *http.Client) (u usage) {
	t.Helper()
	text, err := a.page(t, client, "/metrics")
	for tries := 1; err != nil && tries < 10; tries++ { // strangers' connections may still be on their way
		t.Logf("the metrics, try %d: %v", tries, err)
		time.Sleep(time.Second)
		text, err = a.page(t, client, "/metrics")
	}
	found := usageLine.FindAllStringSubmatch(text, -1)
	if err != nil || len(found) != 3 {
		t.Fatalf("the metrics lack some of what a process holds: %v, %v", found, err)
	}
	for _, m := range found {
		v, err := strconv.ParseFloat(m[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		switch m[1] {
		case "go_goroutines":
			u.Goroutines = int(v)
		case "process_open_fds":
			u.Files = int(v)
		default:
			u.Memory = int64(v)
		}
	}
	return u
}

// get reads a page as the operator.
func (a *attacked) get(t *testing.T, client *http.Client, path string) string {
	t.Helper()
	text, err := a.page(t, client, path)
	if err != nil {
		t.Error(err)
	}
	return text
}

func (a *attacked) page(t *testing.T, client *http.Client, path string) (string, error) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), "GET", a.http+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+a.token)
	answer, err := client.Do(r)
	if err != nil {
		return "", err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %d %w", path, answer.StatusCode, err)
	}
	return string(text), err
}

func (a *attacked) client() *http.Client {
	how := a.tls.Clone()
	how.NextProtos = nil
	return &http.Client{Transport: &http.Transport{TLSClientConfig: how, DisableKeepAlives: true}}
}

// TestSoak has everybody come and go for a while: operators who change tasks, capture, record and stream, readers of
// the page, and strangers. What the daemon holds when all have gone stays the same. FACETD_SOAK says for how many
// seconds; .ci/long takes 900.
func TestSoak(t *testing.T) {
	during, rounds, long := 2*time.Second, 2, false
	if s := os.Getenv("FACETD_SOAK"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		during, rounds, long = time.Duration(n)*time.Second, max(3, n/90), true
	} else {
		t.Parallel()
	}
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	d := startAttacked(t, "--data", t.TempDir())
	t.Cleanup(func() {
		select {
		case err := <-d.done:
			t.Errorf("the daemon ended with %v\n%s", err, d.output)
		default:
		}
	})
	client := d.client()
	strangers, rest := []string{"dribbles", "handshakes", "idle"}, 300*time.Millisecond
	if long { // what these send is held back until their connections end
		strangers, rest = append(strangers, "bodies", "calls", "headers", "posts"), access.CallLimit+time.Second
	}
	samples := []usage{}
	for range rounds + 1 {
		rng.Shuffle(len(strangers), func(i, k int) { strangers[i], strangers[k] = strangers[k], strangers[i] })
		d.soakRound(t, strangers[:1+rng.IntN(len(strangers))], during/time.Duration(rounds+1))
		samples = append(samples, d.rested(t, client, rest))
	}
	for i, u := range samples {
		t.Logf("round %d: %d goroutines, %d files, %.1f MB", i, u.Goroutines, u.Files, float64(u.Memory)/(1<<20))
	}
	first, last := samples[0], samples[len(samples)-1]
	if last.Goroutines > first.Goroutines+moreGoroutines {
		t.Errorf("%d goroutines became %d", first.Goroutines, last.Goroutines)
	}
	if last.Files > first.Files+moreFiles {
		t.Errorf("%d open files became %d", first.Files, last.Files)
	}
	third := max(1, len(samples)/3)
	before, after := medianMemory(samples[:third]), medianMemory(samples[len(samples)-third:])
	t.Logf("from %d goroutines, %d files, %d MB to %d, %d, %d MB", first.Goroutines, first.Files, before>>20,
		last.Goroutines, last.Files, after>>20)
	if long && after > before+moreMemory { // the heap grows at first to what the collector likes
		t.Errorf("%d MB of memory became %d", before>>20, after>>20)
	}
	if err := d.stop(t); err != nil {
		t.Errorf("%v\n%s", err, d.output)
	}
}

func medianMemory(samples []usage) int64 {
	var all []int64
	for _, u := range samples {
		all = append(all, u.Memory)
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// rested waits until the daemon has let nothing go for a while, and gives what it holds.
func (a *attacked) rested(t *testing.T, client *http.Client, rest time.Duration) usage {
	t.Helper()
	last := a.usage(t, client)
	least := last
	for since := time.Now(); time.Since(since) < rest; {
		time.Sleep(100 * time.Millisecond)
		last = a.usage(t, client)
		// than ever: both jitter by what comes and goes
		if last.Goroutines < least.Goroutines || last.Files < least.Files {
			since = time.Now()
		}
		least.Goroutines, least.Files = min(least.Goroutines, last.Goroutines), min(least.Files, last.Files)
	}
	return last
}

// soakRound has everybody at work for a while.
func (a *attacked) soakRound(t *testing.T, strangers []string, during time.Duration) {
	t.Helper()
	until := time.Now().Add(during)
	ctx, cancel := context.WithTimeout(t.Context(), during+2*time.Minute)
	defer cancel()
	var all sync.WaitGroup
	for _, work := range []func(context.Context, *testing.T, int) error{a.changes, a.captures, a.streams, a.reads,
		a.records} {
		all.Go(func() {
			for n := 0; n == 0 || time.Now().Before(until); n++ {
				// The daemon may refuse what does not fit just then.
				if err := work(ctx, t, n); err != nil && status.Code(err) != codes.FailedPrecondition &&
					status.Code(err) != codes.Aborted {
					t.Error(err)
				}
				if ctx.Err() != nil {
					_ = a.cmd.Process.Signal(syscall.SIGQUIT) // it says where it stands
					return
				}
				time.Sleep(20 * time.Millisecond)
			}
		})
	}
	for _, kind := range strangers {
		all.Go(func() {
			one := &attack{grpc: a.grpc, http: strings.TrimPrefix(a.http, "https://"), tls: a.tls, until: until}
			for !one.over() {
				_ = attacks[kind](one) // the daemon may end it as it likes
			}
		})
	}
	all.Wait()
}

func (a *attacked) operator(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+a.token)
}

// changes adds a task and removes it.
func (a *attacked) changes(ctx context.Context, t *testing.T, _ int) error {
	conn := a.dial(t)
	defer conn.Close()
	tasks := facetdv1.NewTaskServiceClient(conn)
	target := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "crown"}}
	if _, err := tasks.CreateTask(a.operator(ctx), &facetdv1.CreateTaskRequest{Task: &facetdv1.Task{Name: "soak",
		Target: target, RateHz: 1}}); err != nil {
		return err
	}
	_, err := tasks.DeleteTask(a.operator(ctx), &facetdv1.DeleteTaskRequest{Name: "soak"})
	return err
}

// captures reads a chip once.
func (a *attacked) captures(ctx context.Context, t *testing.T, _ int) error {
	conn := a.dial(t)
	defer conn.Close()
	_, err := facetdv1.NewFrameServiceClient(conn).CaptureFrames(a.operator(ctx), &facetdv1.CaptureFramesRequest{
		Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "crown"}}})
	return err
}

// streams reads a few frame sets, and leaves with or without a word.
func (a *attacked) streams(ctx context.Context, t *testing.T, n int) error {
	conn := a.dial(t)
	defer conn.Close()
	ctx, cancel := context.WithCancel(a.operator(ctx))
	defer cancel()
	stream, err := followtest.Open(ctx, conn, &facetdv1.FollowStart{FrameSets: uint32(n % 3)})
	if err != nil {
		return err
	}
	for range n % 7 {
		if _, err := stream.Recv(); err != nil {
			return err
		}
	}
	return nil
}

// reads reads the page and the API over HTTP.
func (a *attacked) reads(ctx context.Context, t *testing.T, _ int) error {
	client := a.client()
	for _, path := range []string{"/", "/healthz", "/metrics"} {
		a.get(t, client, path)
	}
	r, err := http.NewRequestWithContext(ctx, "POST", a.http+"/facetd.v1.StatusService/GetStatus",
		strings.NewReader("{}"))
	if err != nil {
		return err
	}
	r.Header.Set("Authorization", "Bearer "+a.token)
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Connect-Protocol-Version", "1")
	answer, err := client.Do(r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if _, err := io.Copy(io.Discard, answer.Body); err != nil || answer.StatusCode != http.StatusOK {
		return errors.Join(err, fmt.Errorf("the status over HTTP: %d", answer.StatusCode))
	}
	return nil
}

// records records for a moment.
func (a *attacked) records(ctx context.Context, t *testing.T, n int) error {
	conn := a.dial(t)
	defer conn.Close()
	records := facetdv1.NewRecordServiceClient(conn)
	name := fmt.Sprintf("soak-%d-%d", time.Now().UnixNano(), n)
	if _, err := records.StartRecording(a.operator(ctx), &facetdv1.StartRecordingRequest{Name: name}); err != nil {
		return err
	}
	time.Sleep(50 * time.Millisecond)
	_, err := records.StopRecording(a.operator(ctx), &facetdv1.StopRecordingRequest{Name: name})
	return err
}
