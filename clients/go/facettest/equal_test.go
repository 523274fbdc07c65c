package facettest_test

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// messages is a digest of all that an array says: frame sets, its status, its clocks and its events.
func messages(t *testing.T, seed uint64) string {
	t.Helper()
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo, Seed: seed, Scene: "demo:lamp=0.5"})
	sum := sha256.New()
	add := func(m proto.Message, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		sum.Write(b)
	}
	status := facetdv1.NewStatusServiceClient(a.Client.Conn())
	events := facetdv1.NewEventServiceClient(a.Client.Conn())
	n := 0
	for set, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		add(set.Message, nil)
		for _, f := range set.Message.GetFrames() {
			if f.GetTimeUncertaintyNs() != 0 {
				t.Fatalf("times are uncertain by %d ns", f.GetTimeUncertaintyNs())
			}
		}
		clock, err := status.GetClock(t.Context(), &facetdv1.GetClockRequest{})
		add(clock, err)
		if n == 7 {
			a.SetPose(nil, &facetdv1.Velocity{LeftMPerS: 0.1}, a.Now()+3*time.Millisecond)
			a.SetScene("uniform:9", a.Now()+100*time.Millisecond)
		}
		if n++; n < 20 {
			continue
		}
		// Before the stream ends, which the daemon counts when it hears of it.
		is, err := status.GetStatus(t.Context(), &facetdv1.GetStatusRequest{})
		add(is, err)
		listed, err := events.ListEvents(t.Context(), &facetdv1.ListEventsRequest{})
		add(listed, err)
		break
	}
	return hex.EncodeToString(sum.Sum(nil))
}

// Equal seeds give messages that are equal to the last byte, other seeds others.
func TestEqualSeedsEqualMessages(t *testing.T) {
	first, again, other := messages(t, 5), messages(t, 5), messages(t, 6)
	if first != again || first == other {
		t.Errorf("%s, %s with the same seed, %s with another", first, again, other)
	}
}

// Ages are those in virtual time, however long the test has run: the daemon's times are certain.
func TestAgesDoNotGrow(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo})
	n := 0
	for set, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{Tasks: []string{"bow"}}) {
		if err != nil {
			t.Fatal(err)
		}
		light := int64(1 << 62)
		for _, f := range set.Message.GetFrames() {
			light = min(light, f.GetLightBusNs())
		}
		if want := a.Now() - time.Duration(light); set.Age() != want || set.IsStale(20*time.Millisecond) {
			t.Fatalf("set %d: of age %v, by bus time %v", n, set.Age(), want)
		}
		if n++; n == 40 {
			break
		}
	}
}

// A stream that nobody reads while another waits is named.
func TestAnUnreadStreamIsNamed(t *testing.T) {
	var mu sync.Mutex
	var logged strings.Builder
	a := facettest.New(logging{t, func(s string) {
		mu.Lock()
		defer mu.Unlock()
		logged.WriteString(s)
	}}, facettest.Config{Tasks: facettest.Demo, Unread: 10 * time.Millisecond})
	unread, err := a.Client.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"comb"}})
	if err != nil {
		t.Fatal(err)
	}
	defer unread.Close()
	read, err := a.Client.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"bow"}})
	if err != nil {
		t.Fatal(err)
	}
	var reading sync.WaitGroup
	came := 0
	reading.Go(func() {
		for {
			if _, err := read.Next(); err != nil {
				return
			}
			came++
		}
	})
	for named := false; !named; {
		time.Sleep(time.Millisecond) // the watchdog's time is the host's
		mu.Lock()
		named = strings.Contains(logged.String(), "nobody reads the stream of comb")
		mu.Unlock()
	}
	if now := a.Now(); now > 100*time.Millisecond {
		t.Errorf("bus time went on to %v", now)
	}
	if _, err := unread.Next(); err != nil { // and on it goes
		t.Error(err)
	}
	read.Close()
	reading.Wait()
	if came == 0 {
		t.Error("the other stream brought nothing")
	}
}

// logging is a test whose log goes elsewhere too.
type logging struct {
	testing.TB
	to func(string)
}

func (l logging) Log(args ...any) { l.to(fmt.Sprint(args...)) }

// Frame sets of one's own pixels are like those that come.
func TestBuiltSets(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo})
	a.Advance(100 * time.Millisecond)
	m := facettest.BuildSet("wall", 3, 40*time.Millisecond,
		facettest.Pixels{Chip: "left", Rows: 2, Columns: 3, Codes: []uint16{0, 1, 2, 3, 4, 4095}},
		facettest.Pixels{Chip: "right", View: "v", Rows: 1, Columns: 1, Codes: []uint16{7}, ZeroVolts: 1,
			StepVolts: 0.5,
			Light:     time.Millisecond})
	set := a.Received(m)
	left, is := set.Frame("left")
	right, there := set.Frame("right", "v")
	if !is || !there || left.At(1, 0) != 3 || right.Volts(right.At(0, 0)) != 4.5 || set.Job() != 3 ||
		set.Skew() != time.Millisecond || left.Message.GetClippedLow() != 1 || left.Message.GetClippedHigh() != 1 {
		t.Errorf("built %v", m)
	}
	if age := set.Age(); age != a.Now()-40*time.Millisecond || age < 60*time.Millisecond {
		t.Errorf("of age %v at %v", age, a.Now())
	}
	// The future is a clock that is not the one it is taken for; a little of it is how far two clocks may be apart.
	pixel := facettest.Pixels{Chip: "left", Rows: 1, Columns: 1, Codes: []uint16{1}}
	far := a.Received(facettest.BuildSet("wall", 4, a.Now()+25*time.Millisecond, pixel))
	near := a.Received(facettest.BuildSet("wall", 4, a.Now()+15*time.Millisecond, pixel))
	if far.Age() != math.MaxInt64 || !far.IsStale(time.Hour) || near.Age() != 0 || near.IsStale(time.Millisecond) {
		t.Errorf("light of the future is %v and %v old", far.Age(), near.Age())
	}
	defer func() {
		if recover() == nil {
			t.Error("one code for two pixels")
		}
	}()
	facettest.BuildSet("wall", 0, 0, facettest.Pixels{Rows: 2, Columns: 1, Codes: []uint16{1}})
}

// At an address bus time goes as far as participants allow, exactly, and poses act at their time.
func TestAnAddressForOthers(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo, Scene: "demo:lamp=0.9", Listen: "127.0.0.1:0"})
	other, err := facet.Connect(a.Address(), facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	a.Advance(73 * time.Millisecond)
	if a.Now() != 73*time.Millisecond {
		t.Errorf("at %v", a.Now())
	}
	a.SetPose(&facetdv1.Pose{LeftM: 0.1}, &facetdv1.Velocity{LeftMPerS: -0.5}, 100*time.Millisecond)
	a.Advance(227 * time.Millisecond)
	if p := a.SetPose(nil, nil); p.GetLeftM() < -1e-12 || p.GetLeftM() > 1e-12 {
		t.Errorf("after 0.2 s at -0.5 m/s from 0.1 m: %v", p)
	}
	status, err := other.Status(t.Context())
	if err != nil || status.GetBusNs() != 3e8 || status.GetLockstep().GetLimitBusNs() != 3e8 {
		t.Errorf("%v, %v", status, err)
	}
	file := t.TempDir() + "/s"
	b := facettest.New(t, facettest.Config{Listen: "unix:" + file})
	if b.Address() != "unix:"+file {
		t.Errorf("address %s", b.Address())
	}
}
