// Command safeloop steers by the newest frame sets of a task, and halts whenever what it sees cannot be trusted: old,
// late, failed or clipped frames, another run of the daemon, or none at all. Take care: it shows how to guard a loop,
// and is no safety function. What is safe when frames fail is for a risk assessment of the machine and qualified
// people to say.
package main

import (
	"context"
	"flag"
	"fmt"
	"log"
	"sync"
	"time"

	"facetd.example/clients/go/facet"
)

const (
	maxAge  = 150 * time.Millisecond // the oldest light that may be acted on
	silence = 250 * time.Millisecond // without a frame set, after which it halts
)

// drive stands for the machine's. Each "go" should be good for a short time only, should this program end.
type drive struct {
	mu   sync.Mutex
	told string
}

func (d *drive) tell(what string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if what != d.told {
		d.told = what
		fmt.Println(what)
	}
}

// doubt is why a frame set must not be acted on; empty where it may be.
func doubt(set *facet.FrameSet) string {
	switch {
	case set.Failure() != "":
		return "failed: " + set.Failure()
	case set.Late():
		return "late"
	case set.IsStale(maxAge):
		return "old"
	case set.Gap.Restarted || set.Gap.Replaced:
		return "another daemon or task: forget what was seen before"
	}
	for _, f := range set.Frames() {
		pixels := f.Rows() * f.Columns()
		if lost := f.Message.GetClippedLow() + f.Message.GetClippedHigh(); int(lost) > pixels/10 {
			return "clipped: " + f.Chip()
		}
	}
	return ""
}

// loop ends after so many frame sets, or with the error for which there will be no more.
func loop(ctx context.Context, c *facet.Client, task string, sets int, d *drive) error {
	defer d.tell("HALT the loop ended")
	stream, err := c.Subscribe(ctx, facet.StreamOptions{Tasks: []string{task}})
	if err != nil {
		return err
	}
	defer stream.Close()
	// The watchdog halts while Next waits, and should the loop itself hang.
	watchdog := time.AfterFunc(silence, func() { d.tell("HALT no frames") })
	defer watchdog.Stop()
	for range sets {
		set, err := stream.Next() // the newest there is; a broken stream is opened again
		if err != nil {
			return err
		}
		watchdog.Reset(silence)
		if why := doubt(set); why != "" {
			d.tell("HALT " + why)
			continue
		}
		d.tell("GO")
	}
	return nil
}

func main() {
	address := flag.String("address", "127.0.0.1:7660", "of the daemon")
	task := flag.String("task", "wall", "to follow")
	sets := flag.Int("sets", 100, "frame sets to see")
	flag.Parse()
	c, err := facet.Connect(*address, facet.Options{})
	if err != nil {
		log.Fatal(err)
	}
	defer c.Close()
	if err := loop(context.Background(), c, *task, *sets, &drive{}); err != nil {
		log.Fatal(err)
	}
}
