package retry

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/daemon/failure"
)

func req(id, digest string) Request { return Request{Caller: "robot", ID: id, Digest: digest} }

func TestDoneOnce(t *testing.T) {
	b := &Book{}
	defer b.Close()
	n := 0
	do := func(ctx context.Context) (any, error) {
		if r, is := Of(ctx); !is || r.ID != "a" {
			t.Errorf("the context carries %v", r)
		}
		n++
		return n, nil
	}
	for range 3 {
		if got, err := b.Do(t.Context(), req("a", "x"), do); got != 1 || err != nil {
			t.Errorf("%v, %v", got, err)
		}
	}
	var reused *failure.Reused
	if _, err := b.Do(t.Context(), req("a", "y"), do); !errors.As(err, &reused) || reused.ID != "a" || n != 1 {
		t.Errorf("another request of the id: %v after %d", err, n)
	}
	other := Request{Caller: "somebody else", ID: "a", Digest: "y"}
	if got, err := b.Do(t.Context(), other, do); got != 2 || err != nil {
		t.Errorf("another caller: %v, %v", got, err)
	}
	if _, is := Of(t.Context()); is {
		t.Error("a context without a request has one")
	}
}

// What failed has changed nothing, and is tried again.
func TestFailuresAreNotKept(t *testing.T) {
	b := &Book{}
	defer b.Close()
	wrong := errors.New("wrong")
	if _, err := b.Do(t.Context(), req("a", "x"),
		func(context.Context) (any, error) { return nil, wrong }); err != wrong {
		t.Errorf("%v", err)
	}
	got, err := b.Do(t.Context(), req("a", "y"), func(context.Context) (any, error) { return 7, nil })
	if got != 7 || err != nil {
		t.Errorf("%v, %v", got, err)
	}
}

// A request goes on without its caller, and whoever asks again waits for its answer; but not for ever.
func TestGoesOnWithoutItsCaller(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &Book{}
		defer b.Close()
		var n atomic.Int32
		do := func(ctx context.Context) (any, error) {
			n.Add(1)
			select {
			case <-time.After(10 * time.Second):
				return "done", nil
			case <-ctx.Done():
				return nil, ctx.Err()
			}
		}
		short, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if _, err := b.Do(short, req("a", "x"), do); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%v", err)
		}
		if got, err := b.Do(t.Context(), req("a", "x"), do); got != "done" || err != nil || n.Load() != 1 {
			t.Errorf("%v, %v, done %d times", got, err, n.Load())
		}
		gone, leave := context.WithCancel(t.Context())
		leave()
		begin := time.Now()
		ended := make(chan time.Duration, 1)
		b.Do(gone, req("b", "x"), func(ctx context.Context) (any, error) {
			<-ctx.Done()
			ended <- time.Since(begin)
			return nil, ctx.Err()
		})
		if took := <-ended; took != GoesOn {
			t.Errorf("it went on for %v", took)
		}
	})
}

func TestWhatIsForgotten(t *testing.T) {
	now := time.Unix(0, 0)
	b := &Book{Now: func() time.Time { return now }}
	defer b.Close()
	n := 0
	ask := func(id string) (before bool) {
		was := n
		if _, err := b.Do(t.Context(), req(id, "x"),
			func(context.Context) (any, error) { n++; return n, nil }); err != nil {
			t.Fatal(err)
		}
		return n == was
	}
	for i := range MaxKept {
		ask(fmt.Sprint(i))
	}
	if !ask("0") || ask("one more") || ask("0") { // the oldest made way for the last, and 1 for it
		t.Error("not the oldest was forgotten")
	}
	if len(b.entries) > MaxKept {
		t.Errorf("%d are kept", len(b.entries))
	}
	now = now.Add(MaxAge)
	if ask("5") || len(b.entries) != 1 {
		t.Errorf("%d are kept for longer than an hour", len(b.entries)-1)
	}
}

// Large answers are fewer, but the last one is there for a retry whatever its size.
func TestLargeAnswersAreFewer(t *testing.T) {
	b := &Book{Size: func(answer any) int { return answer.(int) }}
	defer b.Close()
	done := func(id string, bytes int) (before bool) {
		before = true
		if _, err := b.Do(t.Context(), req(id, "x"),
			func(context.Context) (any, error) { before = false; return bytes, nil }); err != nil {
			t.Fatal(err)
		}
		return before
	}
	for i := range 5 {
		done(fmt.Sprint(i), MaxBytes/4)
	}
	if done("0", MaxBytes/4) || !done("2", 0) || !done("3", 0) || b.bytes > MaxBytes {
		t.Errorf("%d are kept with %d bytes", len(b.kept), b.bytes)
	}
	if done("huge", 2*MaxBytes); !done("huge", 0) || len(b.kept) != 1 || len(b.entries) != 1 {
		t.Errorf("%d are kept beside a huge one", len(b.kept))
	}
	if done("small", 1); !done("small", 0) || b.bytes != 1 {
		t.Errorf("%d bytes are kept", b.bytes)
	}
}

// An answer that is kept keeps nothing of the call that it was made for, such as its connection.
func TestOfACallOnlyTheAnswerIsKept(t *testing.T) {
	b := &Book{}
	defer b.Close()
	gone := make(chan struct{})
	func() {
		connection := &[1 << 16]byte{}
		runtime.AddCleanup(connection, func(struct{}) { close(gone) }, struct{}{})
		type key struct{}
		ctx := context.WithValue(t.Context(), key{}, connection)
		if _, err := b.Do(ctx, req("a", "x"), func(context.Context) (any, error) { return 1, nil }); err != nil {
			t.Fatal(err)
		}
	}()
	for range 100 {
		runtime.GC()
		select {
		case <-gone:
			if len(b.kept) != 1 {
				t.Errorf("%d answers are kept", len(b.kept))
			}
			return
		default:
			runtime.Gosched()
		}
	}
	t.Error("the call's connection is kept with its answer")
}

// Callers that go away leave no more work behind than a limit allows; a retry finds its own all the same.
func TestTooManyUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &Book{}
		defer b.Close()
		gone, leave := context.WithCancel(t.Context())
		leave()
		slow := func(ctx context.Context) (any, error) {
			time.Sleep(GoesOn / 2)
			return "done", nil
		}
		for i := range MaxUnderWay {
			if _, err := b.Do(gone, req(fmt.Sprint(i), "x"), slow); !errors.Is(err, context.Canceled) {
				t.Fatal(err)
			}
		}
		var full *failure.Exhausted
		if _, err := b.Do(t.Context(), req("one more", "x"), slow); !errors.As(err, &full) {
			t.Errorf("one more: %v", err)
		}
		if got, err := b.Do(t.Context(), req("7", "x"), slow); got != "done" || err != nil {
			t.Errorf("a retry: %v %v", got, err)
		}
		if got, err := b.Do(t.Context(), req("one more", "x"), slow); got != "done" || err != nil {
			t.Errorf("one more, later: %v %v", got, err)
		}
	})
}

func TestClose(t *testing.T) {
	b := &Book{}
	begun := make(chan struct{})
	go b.Do(t.Context(), req("a", "x"), func(ctx context.Context) (any, error) {
		close(begun)
		<-ctx.Done()
		return nil, ctx.Err()
	})
	<-begun
	b.Close()
	var gone *failure.Unavailable
	if _, err := b.Do(t.Context(), req("b", "x"), nil); !errors.As(err, &gone) {
		t.Errorf("%v", err)
	}
}
