package facet

import (
	"context"
	"fmt"
	"iter"
	"time"
)

// StreamOptions choose what a stream carries. The zero value is the newest raw frame set
// of every task.
type StreamOptions struct {
	// Tasks by name; none means all, also those added later.
	Tasks []string
	// Chips whose frames are wanted, by name; none means all.
	Chips []string
	// Corrected asks for corrected codes.
	Corrected bool
	// Square asks for corrected codes, those of hexagonal chips resampled to a square
	// lattice.
	Square bool
	// MaxRateHz leaves out frame sets beyond this rate of each task, by bus time; 0 means
	// none.
	MaxRateHz float64
	// Queue is how many frame sets of each task may wait at the daemon for a slow reader, 1 to
	// 1024, before the oldest is dropped. 0 means that only the newest of each task waits, which
	// suits a robot that acts on what is now.
	Queue int
	// Heartbeat is how long the daemon may be silent while a frame set is waited for, 50 ms and
	// up; 0 means 1 s. After three of them without a word the connection counts as broken.
	Heartbeat time.Duration
	// Retry says how a broken stream is opened again.
	Retry Retry
}

// Retry says how a broken stream is opened again. The zero value tries for ever, after
// pauses that grow from a tenth of a second to half a second.
type Retry struct {
	// Off ends the stream with the error that broke it.
	Off bool
	// First is the pause before the first try; 0 means 100 ms. Each further one is twice
	// as long.
	First time.Duration
	// Longest limits the pauses; 0 means 500 ms.
	Longest time.Duration
	// GiveUp ends the stream after so long without the daemon; 0 means never.
	GiveUp time.Duration
}

// Gap is what a stream lost between two frame sets. The zero value is nothing.
type Gap struct {
	// Dropped frame sets of this task: the reader was too slow. Those that finished while
	// there was no connection are among the missing alone.
	Dropped uint64
	// MissingJobs of this task and generation: numbers between the last frame set received, or
	// the first job of the generation, and this one, those dropped included. With MaxRateHz
	// also those left out for it.
	MissingJobs uint64
	// Without is how long there was no connection.
	Without time.Duration
	// Reconnects counts the connections that broke.
	Reconnects int
	// Replaced means that the task has become another of the same name: it was changed, or removed
	// and made anew.
	Replaced bool
	// Restarted means that it is another run of the daemon than before: its jobs and
	// generations are numbered anew, and what was missed is not known.
	Restarted bool
}

// Any reports whether anything was lost.
func (g Gap) Any() bool { return g != Gap{} }

func (g Gap) String() string {
	if !g.Any() {
		return "nothing lost"
	}
	text := fmt.Sprintf("%d dropped, %d jobs missing", g.Dropped, g.MissingJobs)
	if g.Reconnects > 0 {
		text += fmt.Sprintf(", %v without the daemon", g.Without.Round(time.Millisecond))
	}
	if g.Replaced {
		text += ", another task of that name"
	}
	if g.Restarted {
		text += ", the daemon was started again"
	}
	return text
}

// All yields frame sets until the loop ends or an error was yielded, and closes the
// stream.
func (s *Subscription) All() iter.Seq2[*FrameSet, error] {
	return func(yield func(*FrameSet, error) bool) {
		defer s.Close()
		for {
			set, err := s.Next()
			if !yield(set, err) || err != nil {
				return
			}
		}
	}
}

// FrameSets subscribes and yields frame sets, as Subscribe and All together.
func (c *Client) FrameSets(ctx context.Context, o StreamOptions) iter.Seq2[*FrameSet, error] {
	return func(yield func(*FrameSet, error) bool) {
		s, err := c.Subscribe(ctx, o)
		if err != nil {
			yield(nil, err)
			return
		}
		s.All()(yield)
	}
}
