package dispatch

import (
	"context"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// slowToPrepare is a bus that takes a round trip to be made ready, on a host that stands still once.
type slowToPrepare struct {
	bus.BusCloser
	takes    time.Duration
	prepared int
	stood    bool
}

func (b *slowToPrepare) Prepare(ctx context.Context, programs []*bus.Program) error {
	b.prepared++
	time.Sleep(b.takes)
	return b.BusCloser.Prepare(ctx, programs)
}

func (b *slowToPrepare) Next(ctx context.Context) (bus.Result, error) {
	res, err := b.BusCloser.Next(ctx)
	if !b.stood && b.Now() > 300e6 {
		b.stood = true
		time.Sleep(163 * time.Millisecond)
	}
	return res, err
}

// TestGapsTooShortToPrepareIn: on-demand jobs wait on a bus far away whose gaps, between the reservations of a sporadic
// task, are shorter than it takes to be made ready. The bus is made ready for each of them once, and not in every gap
// again, which would keep a host that stood still behind for ever: the timetable goes on, and all are answered.
func TestGapsTooShortToPrepareIn(t *testing.T) {
	limits := bus.Limits{LeastLead: 1500 * time.Microsecond, Queue: 1000}
	for _, demands := range []int{1, 2, 5} {
		t.Run(strconv.Itoa(demands), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				slow := &slowToPrepare{takes: 2200 * time.Microsecond}
				r, _ := farRig(t, realtime, 1500*time.Millisecond, limits, func(b bus.BusCloser) bus.BusCloser {
					slow.BusCloser = b
					return slow
				}, memTask(100), countTask(50), sporadicTask("late", list("s0"), 40*time.Millisecond,
					35*time.Millisecond))
				answers := make(chan error, demands)
				for range demands {
					go func() {
						time.Sleep(310 * time.Millisecond) // it stands still
						_, err := r.Send(t.Context(), &facetdv1.Command{Target: list("m0"),
							Action: &facetdv1.Command_Write{Write: &facetdv1.RegisterWrite{
								Register: chipmodel.OutputEnable}}})
						answers <- err
					}()
				}
				if err := r.Run(t.Context()); err != nil {
					t.Fatal(err)
				}
				for range demands {
					if err := <-answers; err != nil {
						t.Error(err)
					}
				}
				if !slow.stood || slow.prepared > 20+2*demands {
					t.Errorf("the bus was made ready %d times for %d on-demand jobs", slow.prepared, demands)
				}
				noneAfter(t, []bus.Time{300e6}, append(r.watch.of("mem"), r.watch.of("count")...),
					300*time.Millisecond)
			})
		})
	}
}
