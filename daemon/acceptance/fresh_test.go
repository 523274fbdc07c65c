package acceptance

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/api/peertest"
)

// freshEnv is for how many seconds TestFreshForStrangers reads.
const freshEnv = "FACETD_FRESH"

const (
	freshPeriod = 20 * time.Millisecond
	// freshBound is how old a frame set may be when the read of a program returns, by its first sample.
	freshBound = freshPeriod + 20*time.Millisecond
)

// freshIntervals are the pauses between the reads of readers, in milliseconds.
var freshIntervals = []string{"10", "30", "100", "500"}

// TestFreshForStrangers: readers made from the schema alone, in Go, Python and node, over TCP and a Unix socket and by
// long polls over HTTP, get frame sets that are new however seldom they read. In an ordinary run the machine is busy
// with other tests: the median is judged, and a reader has several tries, since frames that wait for their reader are
// old in all of them. Where FACETD_FRESH says for how many seconds to read, 99 of 100 reads are judged, at once.
func TestFreshForStrangers(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector slows the readers, not the daemon, which is a process of its own")
	}
	seconds, quantile, tries := 1.6, 0.5, 8
	if text := os.Getenv(freshEnv); text != "" {
		var err error
		if seconds, err = strconv.ParseFloat(text, 64); err != nil {
			t.Fatal(err)
		}
		quantile, tries = 0.99, 1
	}
	dir := t.TempDir()
	tasks, socket := filepath.Join(dir, "tasks.yaml"), filepath.Join(dir, "s")
	if err := os.WriteFile(tasks, []byte("tasks:\n- {name: fast, target: {all: {}}, rate_hz: 50}\n"),
		0o600); err != nil {
		t.Fatal(err)
	}
	d := start(t, "--array", "testdata/one-fast.yaml", "--tasks", tasks, "--scene", "uniform:200", "--socket", socket)
	schema, programs := descriptors(t, dir), strangers(t, "fresh")
	var readers sync.WaitGroup
	judge := func(what string, read func() (string, error)) {
		readers.Go(func() {
			var old []string
			for range tries {
				out, err := read()
				if err != nil {
					t.Errorf("%s: %v\n%s", what, err, out)
					return
				}
				if old = judgeAges(t, what, out, quantile); len(old) == 0 {
					return
				}
			}
			t.Errorf("in each of %d tries, in the last: %s", tries, strings.Join(old, "; "))
		})
	}
	span := strconv.FormatFloat(seconds, 'f', -1, 64)
	for _, address := range []string{d.grpc, "unix:" + socket} {
		kind, _, _ := strings.Cut(address, ":")
		judge("go "+kind, func() (string, error) { return freshGo(t, address, seconds) })
		for name, cmd := range programs {
			judge(name+" "+kind, output(cmd, append([]string{schema, address, span}, freshIntervals...)))
		}
	}
	if node := programs["node"]; node != nil {
		judge("node http", output(node, append([]string{schema, d.http, span}, freshIntervals...)))
	}
	readers.Wait()
}

// strangers are the outside programs that read, as far as they are installed.
func strangers(t *testing.T, program string) map[string]func(args []string) *exec.Cmd {
	out := map[string]func([]string) *exec.Cmd{}
	t.Run("python", func(t *testing.T) {
		python := peertest.Python(t, "grpc", "google.protobuf")
		out["python"] = func(args []string) *exec.Cmd {
			return exec.Command(python, append([]string{"testdata/" + program + ".py"}, args...)...)
		}
	})
	t.Run("node", func(t *testing.T) {
		probe := peertest.Node(t, []string{"@mcap/core@2.2.2", "fzstd@0.1.1", "protobufjs@7.6.6"},
			"testdata/"+program+".cjs")
		out["node"] = func(args []string) *exec.Cmd {
			cmd := exec.Command(probe.Path, append([]string{"testdata/" + program + ".cjs"}, args...)...)
			cmd.Env = probe.Env
			return cmd
		}
	})
	return out
}

func output(program func([]string) *exec.Cmd, args []string) func() (string, error) {
	return func() (string, error) {
		cmd := program(args)
		var wrong strings.Builder
		cmd.Stderr = &wrong
		out, err := cmd.Output()
		if err != nil {
			return wrong.String(), err
		}
		return string(out), nil
	}
}

// descriptors writes the schema as a file of descriptors, with all that it imports before what imports it.
func descriptors(t *testing.T, dir string) string {
	t.Helper()
	var set descriptorpb.FileDescriptorSet
	seen := map[string]bool{}
	var add func(f protoreflect.FileDescriptor)
	add = func(f protoreflect.FileDescriptor) {
		if seen[f.Path()] {
			return
		}
		seen[f.Path()] = true
		for i := range f.Imports().Len() {
			add(f.Imports().Get(i).FileDescriptor)
		}
		set.File = append(set.File, protodesc.ToFileDescriptorProto(f))
	}
	add(facetdv1.File_facetd_v1_frame_proto)
	data, err := proto.Marshal(&set)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "schema.binpb")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// freshGo is the same in Go, and prints the same.
func freshGo(t *testing.T, address string, seconds float64) (string, error) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Duration(seconds*float64(time.Second))+time.Minute)
	defer cancel()
	var all sync.WaitGroup
	var mu sync.Mutex
	var out strings.Builder
	var failed error
	for _, text := range freshIntervals {
		ms, _ := strconv.Atoi(text)
		all.Go(func() {
			err := func() error {
				s, err := followtest.Open(ctx, dial(t, address), &facetdv1.FollowStart{})
				if err != nil {
					return err
				}
				end := time.Now().Add(time.Duration(seconds * float64(time.Second)))
				for time.Now().Before(end) {
					time.Sleep(time.Duration(ms) * time.Millisecond)
					d, err := s.Recv()
					if err != nil {
						return err
					}
					mu.Lock()
					fmt.Fprintf(&out, "%d %d %d\n", ms, time.Now().UnixNano(),
						d.GetFrameSet().GetFrames()[0].GetFirstSampleTime().AsTime().UnixNano())
					mu.Unlock()
				}
				return nil
			}()
			mu.Lock()
			defer mu.Unlock()
			if err != nil {
				failed = err
			}
		})
	}
	all.Wait()
	return out.String(), failed
}

// judgeAges judges what a reader printed: the interval, when a read returned, and when the first pixel was sampled. It
// returns what was older than it may be.
func judgeAges(t *testing.T, what, out string, quantile float64) (old []string) {
	t.Helper()
	ages := map[string][]time.Duration{}
	for line := range strings.Lines(out) {
		var interval string
		var read, sampled int64
		if _, err := fmt.Sscan(line, &interval, &read, &sampled); err != nil {
			t.Errorf("%s: %q: %v", what, line, err)
			return nil
		}
		ages[interval] = append(ages[interval], time.Duration(read-sampled))
	}
	for _, interval := range freshIntervals {
		a := ages[interval]
		if len(a) < 3 {
			old = append(old, fmt.Sprintf("%s: %d reads every %s ms", what, len(a), interval))
			continue
		}
		slices.Sort(a)
		at := func(q float64) time.Duration {
			return a[min(int(q*float64(len(a))),
				len(a)-1)].Round(10 * time.Microsecond)
		}
		t.Logf("%s, every %s ms: %d reads, age %v at the median, %v of 99 in 100, %v at most", what, interval, len(a),
			at(0.5), at(0.99), at(1))
		if a[0] < 0 {
			t.Errorf("%s, every %s ms: an age of %v", what, interval, a[0])
		}
		if got := at(quantile); got > freshBound {
			old = append(old, fmt.Sprintf("%s, every %s ms: age %v of %v in 100, %v at least; want %v at most", what,
				interval, got, 100*quantile, a[0], freshBound))
		}
	}
	return old
}
