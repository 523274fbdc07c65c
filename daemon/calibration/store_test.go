package calibration

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/daemon/calibration/correction"
)

// chip and its plain view, of which correction maps are made here.
const testChip = bustest.M0

// fitted makes a correction map of invented frames: pixel i lies i codes above the others.
func fitted(t testing.TB, sub *subject, seed uint64) *correction.Map {
	t.Helper()
	a, err := correction.NewAccumulator(sub.shape, sub.scale)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(seed, 1))
	codes := make([]uint16, sub.shape.Pixels())
	for range 8 {
		for i := range codes {
			codes[i] = uint16(100 + i + rng.IntN(5))
		}
		if err := a.Add(codes); err != nil {
			t.Fatal(err)
		}
	}
	m, err := correction.Fit(correction.Offset, []correction.Level{{Lux: 10, Frames: a}},
		correction.Options{Kelvin: 300})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// log gathers what goes into the journal.
type log struct {
	mu     sync.Mutex
	events []*facetdv1.Event
}

func (l *log) add(e *facetdv1.Event) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.events = append(l.events, e)
}

func (l *log) has(t *testing.T, severity facetdv1.Severity, words ...string) {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	var texts []string
	for _, e := range l.events {
		found := e.GetSeverity() == severity && e.GetKind() == facetdv1.EventKind_EVENT_KIND_CALIBRATION
		for _, w := range words {
			found = found && strings.Contains(e.GetText(), w)
		}
		if found {
			return
		}
		texts = append(texts, e.GetText())
	}
	t.Errorf("no event says %q; there are %q", words, texts)
}

func open(t testing.TB, dir string, a *chipmodel.Array, l *log, now func() time.Time) *Service {
	t.Helper()
	if l == nil {
		l = &log{}
	}
	s, err := New(Config{Array: a, Dir: dir, Events: l.add, Clock: now})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func plainSubject(t testing.TB, a *chipmodel.Array, chip int) *subject {
	t.Helper()
	subs, err := subjectsOf(a, chip, nil)
	if err != nil {
		t.Fatal(err)
	}
	return &subs[0]
}

// made stores a correction map and activates it.
func made(t testing.TB, s *Service, chip int, seed uint64) *facetdv1.CorrectionMap {
	t.Helper()
	sub := plainSubject(t, s.cfg.Array, chip)
	m := fitted(t, sub, seed)
	meta := s.metaOf(sub, "test")
	describe(meta, m)
	meta.Levels = levelMessages(m, m.Levels, 0)
	got, err := s.keep(meta, m)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestMapsComeBackAsTheyWere(t *testing.T) {
	a, dir := bustest.MustArray(), filepath.Join(t.TempDir(), "correction-maps")
	s := open(t, dir, a, nil, nil)
	first := made(t, s, testChip, 1)
	made(t, s, bustest.M1, 2)
	second := made(t, s, testChip, 3) // takes the place of the first
	if first.GetId() == second.GetId() || first.GetFile() != second.GetFile() {
		t.Errorf("%s in %s, then %s in %s", first.GetId(), first.GetFile(), second.GetId(), second.GetFile())
	}
	files, err := os.ReadDir(dir)
	if err != nil || len(files) != 2 {
		t.Fatalf("%d files, %v; want 2", len(files), err)
	}
	// The checksum is the file's own, by another way.
	data, err := os.ReadFile(filepath.Join(dir, second.GetFile()))
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(data[:len(data)-sha256.Size])
	if !bytes.Equal(sum[:], data[len(data)-sha256.Size:]) || hex.EncodeToString(sum[:]) != second.GetChecksumSha256() {
		t.Errorf("the checksum of %s is %x", second, sum)
	}
	l := &log{}
	again := open(t, dir, a, l, nil)
	got := again.find(second.GetId())
	if got == nil {
		t.Fatal("the correction map did not come back")
	}
	want := s.find(second.GetId())
	if !proto.Equal(got.meta, want.meta) || !bytes.Equal(got.cmap.Encode(), want.cmap.Encode()) || got.key != want.key {
		t.Errorf("came back as %v, was %v", got.meta, want.meta)
	}
	l.has(t, info, "2 correction maps loaded")
	if _, err := again.DeleteCorrectionMap(t.Context(),
		&facetdv1.DeleteCorrectionMapRequest{Id: second.GetId()}); err != nil {
		t.Fatal(err)
	}
	l.has(t, info, second.GetId(), "deleted")
	if len(open(t, dir, a, nil, nil).inOrder()) != 1 {
		t.Error("the deleted correction map came back")
	}
}

// TestRefusedFiles: what is no correction map of this array is listed by name with the reason, is told
// to the journal, and can be deleted.
func TestRefusedFiles(t *testing.T) {
	a, dir := bustest.MustArray(), t.TempDir()
	s := open(t, dir, a, nil, nil)
	cmap := made(t, s, testChip, 1)
	file := filepath.Join(dir, cmap.GetFile())
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	flipped := bytes.Clone(good)
	flipped[len(flipped)/2] ^= 1
	other := proto.CloneOf(a.Message)
	other.Name = "another rig"
	b, m := chipmodel.New(other)
	if len(m) > 0 {
		t.Fatal(m)
	}
	foreign := t.TempDir()
	theirs := made(t, open(t, foreign, b, nil, nil), testChip, 1)
	of, err := os.ReadFile(filepath.Join(foreign, theirs.GetFile()))
	if err != nil {
		t.Fatal(err)
	}
	write := func(name string, data []byte) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want := map[string]string{
		"cut.map": "damaged or cut short", "flipped.map": "damaged or cut short", "empty.map": "no correction map",
		"text.map":  "no correction map",
		"other.map": `array "another rig"`, "big.map": "no correction map of this array has more",
		"notes.txt": "does not end in .map", "folder.map": "no plain file",
		"link.map": "no plain file", "lies.map": "damaged or cut short",
	}
	write("cut.map", good[:len(good)-1])
	write("flipped.map", flipped)
	write("empty.map", nil)
	write("text.map", []byte("dear diary"))
	write("other.map", of)
	write("notes.txt", []byte("x"))
	write("lies.map", append([]byte(fileMagic), bytes.Repeat([]byte{0xff}, 60)...))
	write(fileio.TempPrefix+"123", good[:100]) // what a crash leaves
	if err := os.Mkdir(filepath.Join(dir, "folder.map"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("/dev/zero", filepath.Join(dir, "link.map")); err != nil {
		t.Fatal(err)
	}
	big, err := os.Create(filepath.Join(dir, "big.map"))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(big.Truncate(1<<40), big.Close()); err != nil { // sparse
		t.Skip("the file system has no large files:", err)
	}
	l := &log{}
	s = open(t, dir, a, l, nil)
	list, err := s.ListCorrectionMaps(t.Context(), &facetdv1.ListCorrectionMapsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if len(list.GetCorrectionMaps()) != 0 || !list.GetStored() {
		t.Errorf("active: %v", list)
	}
	got := map[string]string{}
	for _, r := range list.GetRefused() {
		got[r.GetFile()] = r.GetReason()
		if !strings.Contains(r.GetReason(), want[r.GetFile()]) || want[r.GetFile()] == "" {
			t.Errorf("%s: %q, want %q", r.GetFile(), r.GetReason(), want[r.GetFile()])
		}
	}
	if len(got) != len(want) {
		t.Errorf("refused %v, want %v", got, want)
	}
	l.has(t, warning, "other.map", "another rig")
	if _, err := os.Stat(filepath.Join(dir, fileio.TempPrefix+"123")); !errors.Is(err, fs.ErrNotExist) {
		t.Error("a half-written file is still there")
	}
	if _, err := s.DeleteCorrectionMap(t.Context(), &facetdv1.DeleteCorrectionMapRequest{Id: "other.map"}); err != nil {
		t.Error(err)
	}
	if _, err := s.DeleteCorrectionMap(t.Context(),
		&facetdv1.DeleteCorrectionMapRequest{Id: "../" + filepath.Base(dir) + "/cut.map"}); err == nil {
		t.Error("a path was taken for a file of the folder")
	}
}

// TestNewestMapWins: of two files for one thing the newer is active, whatever their names.
func TestNewestMapWins(t *testing.T) {
	a, dir := bustest.MustArray(), t.TempDir()
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	s := open(t, dir, a, nil, func() time.Time { return at })
	old := made(t, s, testChip, 1)
	name := filepath.Join(dir, old.GetFile())
	if err := os.Rename(name, filepath.Join(dir, "zzz.map")); err != nil {
		t.Fatal(err)
	}
	at = at.Add(time.Hour)
	newer := made(t, s, testChip, 2)
	s = open(t, dir, a, nil, func() time.Time { return at })
	if s.find(newer.GetId()) == nil || s.find(old.GetId()) != nil || len(s.refused) != 1 ||
		s.refused[0].GetFile() != "zzz.map" {
		t.Errorf("active %v, refused %v", s.inOrder()[0].meta.GetId(), s.refused)
	}
}

func TestStaleMaps(t *testing.T) {
	a, dir := bustest.MustArray(), t.TempDir()
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	clock := func() time.Time { return at }
	m := made(t, open(t, dir, a, nil, clock), testChip, 1)
	if m.GetState() != facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_ACTIVE {
		t.Errorf("fresh: %v", m)
	}
	at = at.Add(DefaultMaxAge + time.Second)
	l := &log{}
	s := open(t, dir, a, l, clock)
	if got := s.shown(s.inOrder()[0]); got.GetState() != facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_STALE ||
		got.GetAge().AsDuration() != DefaultMaxAge+time.Second {
		t.Errorf("old: %v", got)
	}
	l.has(t, warning, "stale")
	if st := s.Stats(); st.Active != 1 || st.Stale != 1 ||
		st.OldestSeconds[a.Chips[testChip].Name] != (DefaultMaxAge+time.Second).Seconds() {
		t.Errorf("stats %+v", st)
	}
	frame := &facetdv1.Frame{Chip: a.Chips[testChip].Name, View: "view-1",
		Data: make([]byte, 2*a.Chips[testChip].Class.Rows*a.Chips[testChip].Class.Columns)}
	got := s.Captured(&facetdv1.FrameSet{Frames: []*facetdv1.Frame{frame}}, nil).GetFrames()[0]
	if got.GetCorrectionMapId() != m.GetId() || !strings.Contains(got.GetCorrectionNote(), "30 days old") {
		t.Errorf("frame: %v", got)
	}
	// A clock that was set back makes no correction map older.
	at = at.Add(-10 * DefaultMaxAge)
	if s.stale(s.inOrder()[0]) {
		t.Error("stale before it was made")
	}
}

// TestKilledWhileWriting kills a process that replaces a correction map over and over, at any moment,
// and finds a whole one each time.
func TestKilledWhileWriting(t *testing.T) {
	t.Parallel()
	if dir := os.Getenv("CALIBRATION_TEST_WRITES"); dir != "" {
		s := open(t, dir, bustest.MustArray(), nil, nil)
		fmt.Println("writing")
		for seed := uint64(1); ; seed++ {
			made(t, s, testChip, seed)
		}
	}
	seed := uint64(time.Now().UnixNano())
	t.Log("seed", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	a, dir := bustest.MustArray(), t.TempDir()
	last := made(t, open(t, dir, a, nil, nil), testChip, 0).GetId()
	changed, kills := 0, 12
	for range kills {
		cmd := exec.Command(os.Args[0], "-test.run=^TestKilledWhileWriting$")
		cmd.Env = append(os.Environ(), "CALIBRATION_TEST_WRITES="+dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if _, err := out.Read(make([]byte, 8)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(rng.IntN(40_000)) * time.Microsecond) // any moment will do
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait() // it was killed
		s := open(t, dir, a, nil, nil)
		if cmaps := s.inOrder(); len(cmaps) != 1 || len(s.refused) != 0 {
			t.Fatalf("%d active correction map, refused %v", len(cmaps), s.refused)
		} else if id := cmaps[0].meta.GetId(); id != last {
			changed, last = changed+1, id
		}
		entries, err := os.ReadDir(dir)
		if err != nil || len(entries) != 1 {
			t.Fatalf("%d files are left, %v", len(entries), err)
		}
	}
	if changed == 0 {
		t.Errorf("no correction map was replaced in %d runs", kills)
	}
}

// TestDiskRefuses: a correction map that cannot be stored is not activated, and the old one stays.
func TestDiskRefuses(t *testing.T) {
	a, dir := bustest.MustArray(), t.TempDir()
	s := open(t, dir, a, nil, nil)
	old := made(t, s, testChip, 1)
	s.store.dir = filepath.Join(dir, "gone")
	sub := plainSubject(t, a, testChip)
	m := fitted(t, sub, 2)
	meta := s.metaOf(sub, "")
	describe(meta, m)
	if _, err := s.keep(meta, m); err == nil {
		t.Fatal("it was stored nowhere")
	}
	if s.find(old.GetId()) == nil || len(s.inOrder()) != 1 {
		t.Errorf("active: %v", s.inOrder())
	}
}

// FuzzDecodeFile: nothing in a file makes the reader fail otherwise than by an error; files
// that were taken are written back as they were.
func FuzzDecodeFile(f *testing.F) {
	a := bustest.MustArray()
	sub := plainSubject(f, a, testChip)
	m := fitted(f, sub, 1)
	s := open(f, "", a, nil, func() time.Time { return time.Unix(1_790_000_000, 0) })
	meta := s.metaOf(sub, "fuzz")
	describe(meta, m)
	good, err := encodeFile(meta, m)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good[:len(good)-sha256.Size])
	f.Add([]byte(fileMagic + "\x00\x00\x00\x00\x04\x00\x00\x00abcd"))
	f.Add([]byte(fileMagic + "\xff\xff\xff\xff\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, body []byte) {
		sum := sha256.Sum256(body) // a checksum that holds: the rest must bear it
		data := append(bytes.Clone(body), sum[:]...)
		meta, m, err := decodeFile(data, a)
		if _, _, bare := decodeFile(body, a); bare == nil {
			t.Error("taken without a checksum")
		}
		if err != nil {
			return
		}
		if meta.GetChip() == "" || m.Shape.Pixels() == 0 {
			t.Errorf("taken: %v", meta)
		}
		again, err := encodeFile(meta, m)
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := decodeFile(again, a); err != nil {
			t.Errorf("taken, but not after writing it again: %v", err)
		}
	})
}

// TestKeysTellSettingsApart: whatever changes the codes is in the key, and names are not.
func TestKeysTellSettingsApart(t *testing.T) {
	a := bustest.MustArray()
	view := func(change func(*facetdv1.View)) *facetdv1.View {
		v := &facetdv1.View{}
		change(v)
		return v
	}
	seen := map[string]int{}
	for i, views := range [][]*facetdv1.View{
		{{}},
		{view(func(v *facetdv1.View) { v.SmoothingSteps = 1 })},
		{view(func(v *facetdv1.View) { v.SmoothingSteps = 2 })},
		{view(func(v *facetdv1.View) { v.Binning = &facetdv1.Binning{Rows: 2, Columns: 2} })},
		{view(func(v *facetdv1.View) { v.Window = &facetdv1.Window{Row: 1} })},
		{view(func(v *facetdv1.View) { v.Window = &facetdv1.Window{ColumnStep: 2} })},
	} {
		keys, err := keysOf(a, a.Chips[bustest.M0].Class, views)
		if err != nil {
			t.Fatal(i, err)
		}
		for _, k := range keys {
			if other, taken := seen[k.text]; taken {
				t.Errorf("views %d and %d have one key: %s", i, other, k.text)
			}
			seen[k.text] = i
		}
	}
	// A name does not count, nor does how the same is written.
	same, err := keysOf(a, a.Chips[bustest.M0].Class,
		[]*facetdv1.View{{Name: "x", Window: &facetdv1.Window{RowStep: 1}, Binning: &facetdv1.Binning{Rows: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	if i, known := seen[same["x"].text]; !known || i != 0 {
		t.Errorf("the plain view by another name has the key %s", same["x"].text)
	}
	// The second view of a load works on what the first has left; after smoothing once, a
	// plain view is a smoothed one, and smoothing once more is not the same as twice, whose
	// second step has the other pairs.
	pyramid, err := keysOf(a, a.Chips[bustest.M0].Class, []*facetdv1.View{{SmoothingSteps: 1}, {}})
	if err != nil {
		t.Fatal(err)
	}
	if i, known := seen[pyramid["view-2"].text]; !known || i != 1 {
		t.Errorf("a plain view after a step of smoothing has the key %s", pyramid["view-2"].text)
	}
}

// TestKeysOfWhatMoves: a frame that was read elsewhere on the lattice or under another trim than the view has at first
// has the key of a view that is always there, and never that of where it was.
func TestKeysOfWhatMoves(t *testing.T) {
	a := bustest.MustArray()
	class := a.Chips[bustest.T0].Class
	at := func(row uint32, offset int32, movable *facetdv1.Movable) viewKey {
		keys, err := keysOf(a, class, []*facetdv1.View{{Name: "v",
			Window: &facetdv1.Window{Row: row, Rows: 2, Columns: 2},
			Trim:   &facetdv1.TrimSettings{Offset: offset}, Movable: movable}})
		if err != nil {
			t.Fatal(err)
		}
		return keys["v"]
	}
	moving := at(0, 0, &facetdv1.Movable{Row: &facetdv1.Bounds{High: 1}, Offset: &facetdv1.Bounds{Low: -9, High: 9}})
	if moving.text != at(0, 0, nil).text {
		t.Error("what may move changes the key of where it is at first")
	}
	for _, c := range []struct {
		row    uint32
		offset int32
	}{{0, 0}, {1, 0}, {0, -9}, {1, 9}} {
		fixed := at(c.row, c.offset, nil)
		frame := &facetdv1.Frame{Window: fixed.settings.GetWindow(), Trim: fixed.settings.GetTrim()}
		if got := moving.of(frame); got != fixed.text {
			t.Errorf("row %d, offset %d: the key is %s, that of a view there is %s", c.row, c.offset, got, fixed.text)
		}
	}
}

// TestKeysOfExposures: a frame of another exposure than its view has at first has the key of a view that always is of
// that one; one that the bus exposed for as long as the chips do by themselves has theirs.
func TestKeysOfExposures(t *testing.T) {
	for _, grain := range []time.Duration{1, 700} { // on the coarser one 100 us are 100.1 us
		a, err := bustest.MustLinearArray().OnGrain(grain)
		if err != nil {
			t.Fatal(err)
		}
		keysOfExposures(t, a)
	}
}

// TestKeysOfACoarseBus: what a bus can only time by more than a hundredth longer than the chips expose by themselves is
// another exposure, with maps of its own.
func TestKeysOfACoarseBus(t *testing.T) {
	for _, c := range []struct {
		own, grain time.Duration
		same       bool
	}{{1100, 1000, false}, {100_000, 3000, false}, {100_000, 1100, true}, {100_000, 7, true}, {99_010, 1000, true},
		{99_009, 1000, false}} {
		msg := bustest.LinearMessage()
		msg.Classes[0].GetLinear().Exposure = durationpb.New(c.own)
		fine, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		a, err := fine.OnGrain(c.grain)
		if err != nil {
			t.Fatal(err)
		}
		key := func(v *facetdv1.View) string {
			v.Name = "v"
			keys, err := keysOf(a, a.Chips[bustest.M0].Class, []*facetdv1.View{v})
			if err != nil {
				t.Fatal(err)
			}
			return keys["v"].text
		}
		own, timed := key(&facetdv1.View{}), key(&facetdv1.View{Exposure: durationpb.New(c.own)})
		if (own == timed) != c.same {
			t.Errorf("%v by themselves, %v by the bus: the keys are %s and %s", c.own, a.Up(c.own), own, timed)
		}
	}
}

func keysOfExposures(t *testing.T, a *chipmodel.Array) {
	t.Helper()
	class := a.Chips[bustest.M0].Class
	at := func(exposure time.Duration, movable *facetdv1.Movable) viewKey {
		v := &facetdv1.View{Name: "v", Movable: movable}
		if exposure > 0 {
			v.Exposure = durationpb.New(exposure)
		}
		keys, err := keysOf(a, class, []*facetdv1.View{v})
		if err != nil {
			t.Fatal(err)
		}
		return keys["v"]
	}
	const us, own = time.Microsecond, 100 * time.Microsecond
	moving := at(0, &facetdv1.Movable{Exposure: &facetdv1.ExposureBounds{Low: durationpb.New(20 * us),
		High: durationpb.New(900 * us)}})
	texts := map[string]time.Duration{}
	for _, exposure := range []time.Duration{20 * us, own, 300 * us, 900 * us} {
		fixed := at(exposure, nil)
		frame := &facetdv1.Frame{Window: fixed.settings.GetWindow(), ExposureNs: a.Up(exposure).Nanoseconds()}
		if got := moving.of(frame); got != fixed.text {
			t.Errorf("%v: the key is %s, that of a view there is %s", exposure, got, fixed.text)
		}
		if same, taken := texts[fixed.text]; taken {
			t.Errorf("%v and %v have one key", exposure, same)
		}
		texts[fixed.text] = exposure
		view := viewOf(&facetdv1.CorrectionMap{View: "v", Settings: fixed.settings})
		if again, err := keysOf(a, class, []*facetdv1.View{view}); err != nil || again["v"].text != fixed.text {
			t.Errorf("%v: read by itself for a map, the key is %v, %v", exposure, again, err)
		}
	}
	if texts[at(0, nil).text] != own || texts[moving.text] != own {
		t.Error("by themselves the chips have another key than exposed by the bus for as long")
	}
}

func TestMetaSaysWhenItWasMade(t *testing.T) {
	a := bustest.MustArray()
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	s := open(t, "", a, nil, func() time.Time { return at })
	m := made(t, s, testChip, 1)
	if !proto.Equal(m.GetCreateTime(), timestamppb.New(at)) || m.GetArrayDigest() != a.Digest || m.GetFile() != "" ||
		m.GetDieKelvin() != 300 {
		t.Errorf("%v", m)
	}
	list, err := s.ListCorrectionMaps(t.Context(), &facetdv1.ListCorrectionMapsRequest{})
	if err != nil || list.GetStored() || len(list.GetCorrectionMaps()) != 1 {
		t.Errorf("%v, %v", list, err)
	}
}
