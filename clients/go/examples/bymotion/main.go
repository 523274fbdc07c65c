// Command bymotion drives a crawler down the middle of its pipe and stops before the end wall: what passes faster is
// nearer, and what grows is ahead. The guide says how to begin. Let bumpers keep a real crawler safe.
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

// Metres a second ahead, aside by relative difference of nearness, and aside at most; by which part a second what is
// ahead grows before it stops; how often the loop runs; how old what is seen ahead may be.
const ahead, gain, most, grown, step, maxAge = 0.2, 0.6, 0.1, 0.6, 20 * time.Millisecond, 350 * time.Millisecond

// sides are 1 for chips that look to the left, and -1 for those that look to the right.
var sides = map[string]float64{"wall-00": 1, "wall-01": 1, "wall-10": 1, "wall-11": 1,
	"wall-04": -1, "wall-05": -1, "wall-06": -1, "wall-07": -1}

// steer is the speed to the left; next to none where next to nothing passes by.
func steer(body *facetdv1.BodyMotion) float64 {
	difference, sum := 0.0, 0.0
	for _, c := range body.GetChips() {
		if side := sides[c.GetChip()]; side != 0 && c.NearnessPerS != nil {
			difference, sum = difference+side*c.GetNearnessPerS(), sum+c.GetNearnessPerS()
		}
	}
	return max(-most, min(most, -gain*difference/max(sum, 0.5)))
}

func run(ctx context.Context, out io.Writer, c *facet.Client, length time.Duration) error {
	motion, err := c.SubscribeMotion(ctx, facet.MotionOptions{Tasks: []string{"wall", "comb"}})
	if err != nil {
		return err
	}
	defer motion.Close()
	me, err := c.JoinLockstep(ctx, "bymotion")
	left, growth, seen, jobs := 0.0, 0.0, time.Duration(0), uint64(0)
	for ; err == nil && me.Now < length; err = me.Advance(ctx, me.Now+step) {
		for ; jobs < me.Ended("wall")+me.Ended("comb"); jobs++ {
			switch e, err := motion.Next(); {
			case err != nil:
				return err
			case e.GetTask() == "wall":
				left = steer(e.GetBody())
			case e.GetChips()[0].ExpansionPerS != nil:
				growth, seen = max(growth, e.GetChips()[0].GetExpansionPerS()), time.Duration(e.GetReleaseBusNs())
			}
		}
		v := &facetdv1.Velocity{ForwardMPerS: ahead, LeftMPerS: left}
		if growth > grown || me.Now-seen > maxAge {
			v, growth = nil, 2*grown // for good: who stands still sees nothing that says more
		}
		is, err := c.SetPose(ctx, nil, v, me.Now)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "%.2f s: %.17g m ahead, %.17g m left\n", me.Now.Seconds(), is.GetForwardM(), is.GetLeftM())
	}
	return err
}

func main() {
	address := flag.String("address", "127.0.0.1:7660", "")
	flag.Parse()
	c, err := facet.Connect(*address, facet.Options{})
	if err != nil {
		log.Fatal(err)
	}
	if err := run(context.Background(), os.Stdout, c, 7*time.Second); err != nil {
		log.Fatal(err)
	}
}
