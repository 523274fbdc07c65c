// Package retry makes a request that is sent twice be done once: it remembers answers by the ids that callers give
// their requests. It knows nothing of a transport.
//
// What is kept: the last MaxKept answers, MaxBytes together, each for MaxAge. The oldest is forgotten first; requests
// under way are never forgotten, nor is the last answer for its size. What failed is not kept: it has changed nothing,
// and a retry tries it again.
package retry

import (
	"context"
	"fmt"
	"sync"
	"time"

	"facetd.example/daemon/failure"
)

// What is kept.
const (
	MaxKept = 4096
	MaxAge  = time.Hour
	// MaxBytes is what the answers take together, as Book.Size tells of each.
	MaxBytes = 32 << 20
	// MaxID is the longest id in bytes.
	MaxID = 128
	// MaxUnderWay is how many requests may be under way, those whose callers have gone away included; further ones
	// are refused.
	MaxUnderWay = 256
	// GoesOn is how long a request may go on once its caller has gone away.
	GoesOn = time.Minute
)

// Request identifies a request.
type Request struct {
	// Caller who made up the ID: others may use the same.
	Caller, ID string
	// Digest stands for all that it asks for.
	Digest string
}

type key struct{}

// With is a context in which a request is done.
func With(ctx context.Context, r Request) context.Context { return context.WithValue(ctx, key{}, r) }

// Of is the request that is done in a context, false where it has no id.
func Of(ctx context.Context) (Request, bool) {
	r, is := ctx.Value(key{}).(Request)
	return r, is
}

// Book remembers answers. Its methods may be called from any goroutine. The zero value is an empty one.
type Book struct {
	// Now tells the time; nil means time.Now.
	Now func() time.Time
	// Size tells how many bytes an answer takes; nil means none.
	Size func(answer any) int

	mu      sync.Mutex
	entries map[Request]*entry // by caller and id
	kept    []*entry           // that have an answer, oldest first
	bytes   int                // of the answers of those kept
	closed  bool
	working sync.WaitGroup
}

// entry is a request that is done, or was.
type entry struct {
	request Request
	cancel  context.CancelFunc // nil once it has an answer: it holds on to the context of its call
	done    chan struct{}      // closed once answer and err are there
	answer  any
	err     error
	at      time.Time // of the answer
	bytes   int       // of the answer
}

// Do gives the answer of the first request of this id: it has do make it, waits for it, or remembers it. do goes on for
// GoesOn when the caller does not, in a context that carries the request. Errors: do's, ctx's, *failure.Reused,
// *failure.Exhausted while too many are under way, *failure.Unavailable after Close.
func (b *Book) Do(ctx context.Context, r Request, do func(context.Context) (any, error)) (any, error) {
	e, begin, err := b.find(ctx, r)
	if err != nil {
		return nil, err
	}
	if begin != nil {
		cancel := e.cancel
		leave := context.AfterFunc(ctx, func() { time.AfterFunc(GoesOn, cancel) })
		go func() {
			defer b.working.Done()
			answer, err := do(begin)
			leave()
			cancel()
			b.settle(e, answer, err)
		}()
	}
	select {
	case <-e.done:
		return e.answer, e.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// find is the entry of a request, with the context in which it is to be done where it is new.
func (b *Book) find(ctx context.Context, r Request) (*entry, context.Context, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return nil, nil, &failure.Unavailable{Reason: "the daemon is going down"}
	}
	b.forget()
	id := Request{Caller: r.Caller, ID: r.ID}
	if e := b.entries[id]; e != nil {
		if e.request != r {
			return nil, nil, &failure.Reused{ID: r.ID}
		}
		return e, nil, nil
	}
	if len(b.entries)-len(b.kept) >= MaxUnderWay {
		return nil, nil, &failure.Exhausted{Message: fmt.Sprintf("%d requests with an id are under way; try again "+
			"when some have ended", MaxUnderWay)}
	}
	own, cancel := context.WithCancel(With(context.WithoutCancel(ctx), r))
	e := &entry{request: r, cancel: cancel, done: make(chan struct{})}
	if b.entries == nil {
		b.entries = map[Request]*entry{}
	}
	b.entries[id] = e
	b.working.Add(1)
	return e, own, nil
}

// settle notes what came of a request.
func (b *Book) settle(e *entry, answer any, err error) {
	if b.Size != nil && err == nil {
		e.bytes = b.Size(answer)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	e.answer, e.err, e.at, e.cancel = answer, err, b.now(), nil
	if err != nil {
		delete(b.entries, Request{Caller: e.request.Caller, ID: e.request.ID})
	} else {
		b.kept = append(b.kept, e)
		b.bytes += e.bytes
		b.forget()
	}
	close(e.done)
}

// forget drops the answers that are too old, or too many. The caller holds mu.
func (b *Book) forget() {
	for n := len(b.kept); n > 0 && (n > MaxKept || n > 1 && b.bytes > MaxBytes ||
		b.now().Sub(b.kept[0].at) >= MaxAge); n-- {
		b.bytes -= b.kept[0].bytes
		delete(b.entries, Request{Caller: b.kept[0].request.Caller, ID: b.kept[0].request.ID})
		b.kept[0] = nil
		b.kept = b.kept[1:]
	}
}

func (b *Book) now() time.Time {
	if b.Now != nil {
		return b.Now()
	}
	return time.Now()
}

// Close breaks off what is under way, waits for its end, and takes no more.
func (b *Book) Close() {
	b.mu.Lock()
	b.closed = true
	for _, e := range b.entries {
		if e.cancel != nil {
			e.cancel()
		}
	}
	b.mu.Unlock()
	b.working.Wait()
}
