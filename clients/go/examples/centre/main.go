// Command centre holds a crawler in the middle of its pipe, whose nearer wall its lamp makes brighter. In lockstep with
// the virtual array (facetd --pace lockstep --scene demo:high=800,lamp=0.9,left=0.1) it comes out the same on any
// machine. On a real crawler the loop is the same without Advance, and SetPose is the drive's.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"log"
	"os"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
)

// Metres a second to the side by code of difference, and at most; how often the loop runs; how old light may be.
const gain, most, step, maxAge = 0.0008, 0.1, 20 * time.Millisecond, 100 * time.Millisecond

// walls are four chips that look to the left, and four to the right.
var walls = []string{"wall-00", "wall-01", "wall-10", "wall-11", "wall-04", "wall-05", "wall-06", "wall-07"}

// steer is the speed to the left; 0 where what was seen says nothing.
func steer(set *facet.FrameSet, now time.Duration) float64 {
	balance := 0.0
	for i, chip := range walls {
		f, is := set.Frame(chip)
		if !is || set.Failure() != "" || set.Late() || now-time.Duration(f.Message.GetLightBusNs()) > maxAge {
			return 0
		}
		sum := 0
		for _, code := range f.Codes(nil) {
			sum += int(code)
		}
		balance += float64(sum) / float64(f.Rows()*f.Columns()) * float64(2*(i/4)-1) / 4
	}
	return max(-most, min(most, gain*balance))
}

func run(ctx context.Context, out io.Writer, address string, length time.Duration) error {
	c, err := facet.Connect(address, facet.Options{})
	if err != nil {
		return err
	}
	defer c.Close()
	sets, err := c.Subscribe(ctx, facet.StreamOptions{Tasks: []string{"wall"}})
	if err != nil {
		return err
	}
	defer sets.Close()
	me, err := c.JoinLockstep(ctx, "centre")
	for jobs, end := uint64(0), length; err == nil && me.Now < end; err = me.Advance(ctx, me.Now+step) {
		if me.Ended("wall") == jobs {
			continue
		}
		jobs = me.Ended("wall")
		set, err := sets.Next()
		if err != nil {
			return err
		}
		v := &facetdv1.Velocity{ForwardMPerS: 0.1, LeftMPerS: steer(set, me.Now)}
		is, err := c.SetPose(ctx, nil, v, me.Now)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "%.2f s: %.17g m to the left, %.17g m/s\n", me.Now.Seconds(), is.GetLeftM(), v.LeftMPerS)
	}
	return err
}

func main() {
	address, length := flag.String("address", "127.0.0.1:7660", ""), flag.Duration("length", 3*time.Second, "bus time")
	flag.Parse()
	if err := run(context.Background(), os.Stdout, *address, *length); err != nil {
		log.Fatal(err)
	}
}
