package fleet

import (
	"context"
	"crypto/rand"
	"fmt"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
)

// ApplyInWaves asks robots for a state by the bucket of desired states, some at a time, and begins no further wave once
// too many have refused. A robot that is away makes the change when it is back, unless its time is over by then: it is
// unknown until it says so. wave is called at the beginning of each.
func ApplyInWaves(ctx context.Context, c *hub.Conn, o WaveOptions, wave func(number int, robots []string)) (
	fates []*Fate, done bool, err error) {
	bucket, err := c.JS.KeyValue(ctx, subject.Desired)
	if err != nil {
		return nil, false, explain(err)
	}
	id := rand.Text()
	seen := &outcomes{by: map[string]*fleetv1.Outcome{}, changed: make(chan struct{}, 1)}
	watching, stop := context.WithCancel(ctx)
	var watcher sync.WaitGroup
	defer watcher.Wait()
	defer stop()
	watcher.Go(func() {
		for watching.Err() == nil { // the statuses come again with a new watch
			Watch(watching, c, func(r *Robot) error {
				if r != nil {
					seen.take(r, id)
				}
				return nil
			})
			select {
			case <-watching.Done():
			case <-time.After(again): // the hub may be away
			}
		}
	})
	data, err := proto.Marshal(&fleetv1.Desired{ChangeId: id, Time: timestamppb.Now(), By: o.By, Tasks: o.Tasks,
		ExpireTime: timestamppb.New(o.Expire)})
	if err != nil {
		return nil, false, err
	}
	for _, robot := range o.Robots {
		fates = append(fates, &Fate{Robot: robot, State: fleetv1.ChangeState_CHANGE_STATE_UNDONE,
			Message: "it was not asked"})
	}
	failures, done := 0, true
	for number, rest := 1, fates; len(rest) > 0; number++ {
		n := min(len(rest), o.Sizes[min(number, len(o.Sizes))-1])
		now := rest[:n]
		rest = rest[n:]
		wave(number, names(now))
		for _, f := range now {
			f.State, f.Message = fleetv1.ChangeState_CHANGE_STATE_UNSPECIFIED,
				"the hub did not acknowledge what was desired of it, and may have it"
			if _, err := bucket.Put(ctx, subject.Key(f.Robot), data); err != nil {
				return fates, false, fmt.Errorf("the desired state of %s: %w", f.Robot, err)
			}
			f.Message = "it has not said yet; it makes the change when it is back, until " +
				o.Expire.UTC().Format(time.RFC3339)
		}
		if err := awaitWave(ctx, seen, now, o.Patience); err != nil {
			return fates, false, err
		}
		failures, done = 0, true
		for _, f := range fates[:len(fates)-len(rest)] { // those of earlier waves may have said something since
			if said := seen.of(f.Robot); said != nil {
				f.State, f.Message = said.GetState(), said.GetMessage()
			}
			if f.State == fleetv1.ChangeState_CHANGE_STATE_REFUSED {
				failures++
			}
			done = done && f.State == fleetv1.ChangeState_CHANGE_STATE_COMMITTED
		}
		if failures > o.MostFailures {
			return fates, false, nil
		}
	}
	return fates, done, nil
}

func names(fates []*Fate) []string {
	all := make([]string, len(fates))
	for i, f := range fates {
		all[i] = f.Robot
	}
	return all
}

// awaitWave waits until every robot of a wave has said what became of the change, or time is up.
func awaitWave(ctx context.Context, seen *outcomes, wave []*Fate, patience time.Duration) error {
	end := time.NewTimer(patience)
	defer end.Stop()
	for {
		waiting := 0
		for _, f := range wave {
			if o := seen.of(f.Robot); o != nil {
				f.State, f.Message = o.GetState(), o.GetMessage()
			} else {
				waiting++
			}
		}
		if waiting == 0 {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-end.C:
			return nil
		case <-seen.changed:
		}
	}
}
