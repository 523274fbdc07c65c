package campaign

import (
	"context"
	"fmt"
	"math/rand/v2"
	"reflect"
	"time"

	"google.golang.org/protobuf/proto"

	"facetd.example/daemon/retry"
)

// soonAgain is when a request is sent once more, after its answer.
const soonAgain = 3*time.Millisecond + 1

// repeated is a request that was sent once more under its id, after it had an answer: that comes again, and nothing is
// done. What would be done shows in what is judged of the first, as that is of one.
type repeated[T any] struct {
	first, answer T
	err           error
}

// wrong is what is wrong with the second answer; empty where there is none.
func (x *repeated[T]) wrong() string {
	if x == nil {
		return none
	}
	same := reflect.DeepEqual(x.first, x.answer)
	if m, is := any(x.first).(proto.Message); is {
		same = proto.Equal(m, any(x.answer).(proto.Message))
	}
	if x.err != nil || !same {
		return fmt.Sprintf("a request was answered with %v, and when it was sent again with %v, %v", x.first, x.answer,
			x.err)
	}
	return ""
}

// none says that a request was not sent again.
const none = "none"

// judgeRepeated counts a request that was sent again, and tells what is wrong with it.
func (o *outcome) judgeRepeated(wrong string) {
	switch wrong {
	case none:
		return
	case "":
	default:
		o.problem("%s", wrong)
	}
	o.tally.paths[pathRepeated]++
}

// sending is what does a request under an id, as often as it is called.
func sending[T any](l *life, caller, id string, do func(context.Context) (T, error)) func() (T, error) {
	return func() (out T, err error) {
		got, err := l.once.Do(l.ctx, retry.Request{Caller: caller, ID: id, Digest: id},
			func(ctx context.Context) (any, error) { return do(ctx) })
		if err != nil {
			return out, err
		}
		return got.(T), nil
	}
}

// twice reports whether a change is asked for with an id, and once more: one in four of those whose callers wait, from
// numbers of their own.
func (c *change) twice() bool {
	return c.patience == 0 && rand.New(rand.NewPCG(uint64(c.at), 7)).IntN(4) == 0
}
