package record

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/foxglove/mcap/go/mcap"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
)

const childEnv = "FACETD_RECORD_CHILD"

// TestMain is also the process that TestKilledManyTimes kills.
func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		child(dir)
	}
	goleak.VerifyTestMain(m)
}

// child records the frame sets of seed 9 until it is killed, and prints again and again
// how many bytes of the file it takes to be safe.
func child(dir string) {
	m := managerIn(dir)
	if _, err := m.Start("k", &facetdv1.RecordingOptions{PartBytes: 1 << 30}); err != nil {
		panic(err)
	}
	src := newSource(9)
	for {
		m.JobEnded(src.next("wall", 96))
		os.Stdout.WriteString(strconv.FormatUint(m.find("k").message().GetBytes(), 10) + "\n")
		time.Sleep(200 * time.Microsecond)
	}
}

func managerIn(dir string) *Manager {
	a, err := demoArray()
	if err != nil {
		panic(err)
	}
	m, err := NewManager(Config{
		Dir: dir, Array: a, HostTime: hostTime, Now: func() bus.Time { return 0 },
		Status: func() *facetdv1.Status { return &facetdv1.Status{} },
	})
	if err != nil {
		panic(err)
	}
	return m
}

// wholeChunks counts the chunks of a file and its frame sets with the library's own
// lexer, which knows nothing of Recover: everything up to where it stumbles.
func wholeChunks(t *testing.T, path string) (chunks int, frames int, end int64) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lex, err := mcap.NewLexer(f, &mcap.LexerOptions{EmitChunks: true})
	if err != nil {
		return 0, 0, 0
	}
	topics := map[uint16]string{}
	for {
		token, data, err := lex.Next(nil)
		if err != nil {
			return chunks, frames, end
		}
		if token != mcap.TokenChunk {
			continue
		}
		end, _ = f.Seek(0, io.SeekCurrent)
		chunks++
		c, err := mcap.ParseChunk(data)
		if err != nil {
			t.Fatal(err)
		}
		in, err := mcap.NewLexer(unzstd(t, c.Records), &mcap.LexerOptions{SkipMagic: true})
		if err != nil {
			t.Fatal(err)
		}
		for {
			token, data, err := in.Next(nil)
			if err != nil {
				break
			}
			switch token {
			case mcap.TokenChannel:
				ch, _ := mcap.ParseChannel(data)
				topics[ch.ID] = ch.Topic
			case mcap.TokenMessage:
				msg, _ := mcap.ParseMessage(data)
				if strings.HasPrefix(topics[msg.ChannelID], TopicFrames) {
					frames++
				}
			}
		}
	}
}

// Killed in the middle of it, again and again: no chunk that was whole is lost, what
// is kept is what went in, and the file is a proper one afterwards.
func TestKilledManyTimes(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("starts many processes")
	}
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	kept := 0
	for range peertest.Cases(8, 40) {
		dir := t.TempDir()
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childEnv+"="+dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		var safe int64
		for range 1 + rng.IntN(140) {
			if !lines.Scan() {
				t.Fatal("the child ended by itself")
			}
			safe, _ = strconv.ParseInt(lines.Text(), 10, 64)
		}
		if err := cmd.Process.Kill(); err != nil { // SIGKILL
			t.Fatal(err)
		}
		for lines.Scan() { // what it had still printed
			if n, err := strconv.ParseInt(lines.Text(), 10, 64); err == nil {
				safe = n
			}
		}
		_ = cmd.Wait()
		path := filepath.Join(dir, "k-001.mcap.partial")
		if info, err := os.Stat(path); err != nil || info.Size() < safe {
			t.Fatalf("%d bytes were called safe, and there are %v (%v)", safe, info, err)
		}
		chunks, frames, _ := wholeChunks(t, path)
		rec, err := Recover(path)
		if err != nil {
			t.Fatal(err)
		}
		if rec.Chunks != chunks || rec.Path != filepath.Join(dir, "k-001.mcap") || rec.Rest != "" {
			t.Errorf("recovered %+v of %d chunks", rec, chunks)
		}
		got := frameSets(read(t, rec.Path))
		if len(got) != frames {
			t.Errorf("%d frame sets of %d", len(got), frames)
		}
		src := newSource(9)
		for i, fs := range got {
			if !proto.Equal(fs, src.next("wall", 96)) {
				t.Errorf("frame set %d differs", i)
			}
		}
		kept += len(got)
	}
	t.Logf("%d frame sets kept over all kills", kept)
	if kept == 0 {
		t.Error("nothing was ever kept: the test shows nothing")
	}
}

// recorded is a closed file of some chunks.
func recorded(t testing.TB, sets int) (path string, data []byte) {
	t.Helper()
	m, _, dir := manager(t,
		func(c *Config) { c.Status = func() *facetdv1.Status { return &facetdv1.Status{BusNs: 1} } })
	m.PlanChanged(plan("wall", "bed"), 5, 5)
	start(t, m, "x", &facetdv1.RecordingOptions{PartBytes: MinPartBytes * 4})
	src := newSource(11)
	for i := range sets {
		m.JobEnded(src.next([]string{"wall", "bed"}[i%2], 40))
	}
	stop(t, m, "x")
	path = filepath.Join(dir, "x-001.mcap")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return path, data
}

// Cut anywhere, a file keeps exactly the chunks that are whole.
func TestRecoverKeepsEveryWholeChunk(t *testing.T) {
	t.Parallel()
	_, data := recorded(t, 30)
	whole, err := newReader(bytes.NewReader(data), int64(len(data)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	seed := peertest.Seed(t)
	t.Logf("seed %d, %d bytes, %d chunks", seed, len(data), whole.Chunks())
	rng := rand.New(rand.NewPCG(seed, 0))
	cuts := []int64{0, 1, 7, 8, 9, 20, int64(len(data)) - 1, int64(len(data)) - 9}
	for _, c := range whole.chunks {
		end := int64(c.ChunkStartOffset + c.ChunkLength)
		cuts = append(cuts, int64(c.ChunkStartOffset), end-1, end, end+5, end+int64(c.MessageIndexLength)-1,
			end+int64(c.MessageIndexLength))
	}
	for range 25 {
		cuts = append(cuts, rng.Int64N(int64(len(data))))
	}
	if whole.Chunks() < 4 {
		t.Fatal("too few chunks to show anything")
	}
	for _, cut := range cuts {
		want := 0
		for _, c := range whole.chunks {
			if int64(c.ChunkStartOffset+c.ChunkLength) <= cut {
				want++
			}
		}
		path := filepath.Join(t.TempDir(), "c-001.mcap.partial")
		if err := os.WriteFile(path, data[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		rec, err := Recover(path)
		if err != nil || rec.Chunks != want || rec.Whole {
			t.Fatalf("cut at %d: %+v, %v; want %d chunks", cut, rec, err, want)
		}
		r, err := Open(rec.Path)
		if err != nil {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		for i := range want {
			a, err := r.Chunk(i)
			if err != nil {
				t.Fatal(err)
			}
			b, _ := whole.Chunk(i)
			if len(a) != len(b) {
				t.Errorf("cut at %d: chunk %d has %d messages of %d", cut, i, len(a), len(b))
			}
		}
		checkIndex(t, rec.Path)
		_ = r.Close()
		if again, err := Recover(rec.Path); err != nil || !again.Whole || again.Chunks != want {
			t.Errorf("cut at %d, recovered again: %+v %v", cut, again, err)
		}
	}
}

// checkIndex reads a file through its indexes by the library's reader, and counts.
func checkIndex(t *testing.T, path string) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := mcap.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	info, err := r.Info()
	if err != nil {
		t.Fatal(err)
	}
	it, err := r.Messages(mcap.InOrder(mcap.LogTimeOrder))
	if err != nil {
		t.Fatal(err)
	}
	var n uint64
	for {
		if _, _, _, err := it.NextInto(nil); err != nil {
			if !errors.Is(err, io.EOF) {
				t.Fatal(err)
			}
			break
		}
		n++
	}
	if n != info.Statistics.MessageCount {
		t.Errorf("the indexes lead to %d messages, the statistics say %d", n, info.Statistics.MessageCount)
	}
}

// Damage ahead of the end: what is before it is kept, and not a byte behind it is lost.
func TestDamageKeepsTheRestAside(t *testing.T) {
	_, data := recorded(t, 30)
	whole, err := newReader(bytes.NewReader(data), int64(len(data)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	victim := whole.chunks[2]
	at := victim.ChunkStartOffset + victim.ChunkLength - 20
	bad := bytes.Clone(data)
	bad[at] ^= 0x40
	path := filepath.Join(t.TempDir(), "d-001.mcap.partial")
	if err := os.WriteFile(path, bad, 0o600); err != nil {
		t.Fatal(err)
	}
	rec, err := Recover(path)
	if err != nil || rec.Chunks != 2 || rec.Rest != path+".rest" {
		t.Fatalf("%+v %v", rec, err)
	}
	rest, err := os.ReadFile(rec.Rest)
	if err != nil || !bytes.Equal(rest, bad[victim.ChunkStartOffset:]) {
		t.Errorf("%d bytes set aside, %v", len(rest), err)
	}
	checkIndex(t, rec.Path)
}

// Nobody recovers a file that is being written, and nothing is recovered over a file.
func TestRecoverRefuses(t *testing.T) {
	m, _, dir := manager(t, nil)
	start(t, m, "live", nil)
	if _, err := Recover(filepath.Join(dir, "live-001.mcap.partial")); !errors.As(err, new(*LockedError)) {
		t.Errorf("a live one: %v", err)
	}
	if err := m.Recover(t.Context()); err != nil {
		t.Errorf("the folder with a live one: %v", err)
	}
	stop(t, m, "live")
	tmp := t.TempDir()
	write := func(name string, data []byte) string {
		path := filepath.Join(tmp, name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	var other bytes.Buffer
	w, err := mcap.NewWriter(&other, &mcap.WriterOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.WriteHeader(&mcap.Header{Profile: "other"}), w.Close()); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"text": "hello, this is no recording",
		"zip": "PK\x03\x04aaaaaaaaaaaaaaaaaaaaaaaa", "other": other.String()} {
		path := write(name, []byte(text))
		if _, err := Recover(path); !errors.As(err, new(*ForeignError)) {
			t.Errorf("recovering %s: %v", name, err)
		}
		if _, err := Open(path); !errors.As(err, new(*ForeignError)) {
			t.Errorf("opening %s: %v", name, err)
		}
		if now, _ := os.ReadFile(path); string(now) != text {
			t.Errorf("%s was changed", name)
		}
	}
	write("y-001.mcap", nil)
	if _, err := Recover(write("y-001.mcap.partial", nil)); !errors.Is(err, os.ErrExist) {
		t.Errorf("over a file: %v", err)
	}
	if _, err := Open(tmp); !errors.As(err, new(*ForeignError)) {
		t.Errorf("opening a folder: %v", err)
	}
}

// The manager closes what a crash left, and says so.
func TestManagerRecoversItsFolder(t *testing.T) {
	_, data := recorded(t, 20)
	m, n, dir := manager(t, nil)
	if err := os.WriteFile(filepath.Join(dir, "torn-001.mcap.partial"), data[:len(data)*2/3], 0o600); err != nil {
		t.Fatal(err)
	}
	rec, err := m.Get("torn")
	if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_TORN {
		t.Errorf("before: %v %v", rec, err)
	}
	if err := m.Recover(t.Context()); err != nil {
		t.Fatal(err)
	}
	rec, err = m.Get("torn")
	if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED || rec.GetFrameSets() == 0 ||
		!rec.GetParts()[0].GetClosed() {
		t.Errorf("after: %v %v", rec, err)
	}
	if told := n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_RECOVERED); len(told) != 1 ||
		told[0].GetFields()["file"].GetText() != "torn-001.mcap.partial" {
		t.Errorf("told %v", told)
	}
}
