package acceptance

import (
	"bytes"
	le "encoding/binary"
	"errors"
	"hash/crc32"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"facetd.example/daemon/record"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Sizes of the MCAP container's framing: a magic, then records of one byte that says
// what it is, eight of length, and the content (the MCAP format specification, version
// 0; seen).
const (
	mcapMagic   = 8
	mcapHead    = 1 + 8
	mcapChunk   = 0x06
	mcapDataEnd = 0x0f
)

// wholeChunks walks the framing of a file and returns the checksum of the bytes of
// every chunk that is wholly there. It knows nothing of facetd's reader.
func wholeChunks(data []byte) (sums []uint32) {
	for at := mcapMagic; at+mcapHead <= len(data); {
		length := le.LittleEndian.Uint64(data[at+1:])
		end := uint64(at) + mcapHead + length
		if end > uint64(len(data)) {
			break
		}
		switch data[at] {
		case mcapChunk:
			sums = append(sums, crc32.ChecksumIEEE(data[at:end]))
		case mcapDataEnd:
			return sums
		}
		at = int(end)
	}
	return sums
}

// TestKilledWhileItRecords: whenever a daemon is killed in mid-recording, every chunk
// that reached the file is in what `facetd recover` leaves, which reads and replays. The
// writer alone is killed more often in package record; here it is the whole daemon.
func TestKilledWhileItRecords(t *testing.T) {
	t.Parallel()
	const kills, seed = 3, 20
	rng := rand.New(rand.NewPCG(seed, 0))
	t.Logf("seed %d", seed)
	var chunks, sets int
	for i := range kills {
		file := killedRecording(t, 100+rng.IntN(900), time.Duration(rng.IntN(20_000))*time.Microsecond)
		before, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		kept := wholeChunks(before)
		run(t, binary(t, "facetd"), "recover", file)
		closed := strings.TrimSuffix(file, ".partial")
		after, err := os.ReadFile(closed)
		if err != nil {
			t.Fatal(err)
		}
		if got := wholeChunks(after); !equal(got, kept) {
			t.Errorf("kill %d: %d chunks were whole, %d are kept", i, len(kept), len(got))
		}
		r, err := record.Open(closed)
		if err != nil {
			t.Fatalf("kill %d: %v", i, err)
		}
		if r.Chunks() != len(kept) {
			t.Errorf("kill %d: %d chunks in the index of %d", i, r.Chunks(), len(kept))
		}
		for e, err := range r.All() {
			if err != nil {
				t.Fatalf("kill %d: %v", i, err)
			}
			if e.Frames != nil {
				sets++
			}
		}
		r.Close()
		chunks += len(kept)
	}
	t.Logf("%d chunks with %d frame sets kept of %d killed recordings", chunks, sets, kills)
	if chunks < kills || sets == 0 {
		t.Errorf("only %d chunks with %d frame sets: the kills came before anything was written", chunks, sets)
	}
}

func equal(a, b []uint32) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// killedRecording starts a recording, kills the daemon some time after a client saw some
// frame sets of it, and returns the file that is left.
func killedRecording(t *testing.T, sets int, after time.Duration) string {
	t.Helper()
	data := t.TempDir()
	d := start(t, "--pace", "free", "--data", data)
	conn := d.dial(t)
	ctx := within(t, time.Minute)
	frames := follow(t, ctx, conn)
	if _, err := facetdv1.NewRecordServiceClient(conn).StartRecording(ctx,
		&facetdv1.StartRecordingRequest{Name: "k"}); err != nil {
		t.Fatal(err)
	}
	for n := 0; ; n++ {
		if n == sets {
			time.AfterFunc(after, func() { d.cmd.Process.Kill() }) // SIGKILL
		}
		if _, err := frames.Recv(); err != nil {
			break
		}
	}
	var exit *exec.ExitError
	if err := <-d.done; !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
		t.Fatalf("it ended with %v and not by the kill", err)
	}
	return filepath.Join(data, "recordings", "k-001.mcap.partial")
}

// TestFilesThatAreNoRecordings: a file that cannot be played ends the daemon at the
// start with status 1, an error that names the file, and no memory beyond what the
// program takes anyway.
func TestFilesThatAreNoRecordings(t *testing.T) {
	t.Parallel()
	whole := shortRecording(t)
	dir := t.TempDir()
	write := func(name string, data []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	at := bytes.Index(whole, []byte("zstd")) - 4 - 4 - 8 // the size of the first chunk
	if at < 0 {
		t.Fatal("the recording has no packed chunk")
	}
	files := map[string]struct{ path, says string }{
		"nothing": {write("nothing.mcap", nil), "header"},
		"text": {write("notes.mcap", []byte(strings.Repeat("no recording\n", 1000))),
			"not a recording of facetd"},
		"a folder":        {dir, "not a file"},
		"no file":         {filepath.Join(dir, "none.mcap"), "no such file"},
		"cut in half":     {write("half.mcap", whole[:len(whole)/2]), "recover"},
		"cut at the end":  {write("end.mcap", whole[:len(whole)-1]), "recover"},
		"only its header": {write("head.mcap", whole[:mcapMagic+mcapHead]), "recover"},
		"a chunk of 1 TiB": {write("bomb.mcap", patched(whole, at, func(b []byte) {
			le.LittleEndian.PutUint64(b, 1<<40)
		})), "1099511627776"},
		"a chunk of 200 MiB that is not there": {write("lie.mcap", patched(whole, at, func(b []byte) {
			le.LittleEndian.PutUint64(b, 200<<20)
		})), "bytes"},
		"a record longer than any file": {write("long.mcap", patched(whole, mcapMagic+1, func(b []byte) {
			le.LittleEndian.PutUint64(b, 1<<62)
		})), "long.mcap"},
		"a summary that is elsewhere": {write("summary.mcap", patched(whole, len(whole)-mcapMagic-20, func(b []byte) {
			le.LittleEndian.PutUint64(b, uint64(len(whole))+1<<50)
		})), "footer"},
		"bytes by chance": {write("chance.mcap", append(whole[:mcapMagic:mcapMagic], chance(1<<20)...)), "chance.mcap"},
		"no end":          {"/dev/zero", "not a file"},
	}
	_, idle, _ := startedWith(t, "version")
	for what, f := range files {
		status, used, errs := startedWith(t, "--bus", "replay:"+f.path, "--listen", "127.0.0.1:0", "--http", "",
			"--log-level", "error")
		if status != 1 || !strings.Contains(errs, f.says) || !strings.Contains(errs, f.path) ||
			strings.Contains(errs, "goroutine ") || len(errs) > 1000 {
			t.Errorf("%s: status %d, want %q in\n%s", what, status, f.says, errs)
		}
		if used > idle+64<<20 {
			t.Errorf("%s: %d MiB, without anything %d", what, used>>20, idle>>20)
		}
	}
}

// startedWith runs facetd to its end and returns its status, the most memory that it
// had resident in bytes, and what it said.
func startedWith(t *testing.T, args ...string) (status int, resident int64, errs string) {
	t.Helper()
	ctx := within(t, patience)
	cmd := exec.CommandContext(ctx, binary(t, "facetd"), args...)
	var said bytes.Buffer
	cmd.Stderr, cmd.Stdout = &said, io.Discard
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	if ctx.Err() != nil {
		t.Fatalf("facetd %s did not end", strings.Join(args, " "))
	}
	kilobytes := int64(cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss) // of 32 bits on some
	return cmd.ProcessState.ExitCode(), kilobytes << 10, said.String()
}

// shortRecording is the bytes of a recording of the demo.
func shortRecording(t *testing.T) []byte {
	t.Helper()
	data := t.TempDir()
	d := start(t, "--pace", "free", "--data", data)
	frames := follow(t, within(t, time.Minute), d.dial(t))
	ctl := func(args ...string) {
		run(t, binary(t, "facetctl"), append([]string{"--address", d.grpc, "record"}, args...)...)
	}
	ctl("start", "--name", "s")
	for range 200 {
		if _, err := frames.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	ctl("stop", "s")
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
	bytes, err := os.ReadFile(filepath.Join(data, "recordings", "s-001.mcap"))
	if err != nil {
		t.Fatal(err)
	}
	return bytes
}

func patched(data []byte, at int, change func([]byte)) []byte {
	out := bytes.Clone(data)
	change(out[at:])
	return out
}

func chance(n int) []byte {
	rng := rand.NewChaCha8([32]byte{1})
	out := make([]byte, n)
	_, _ = rng.Read(out) // it never fails
	return out
}
