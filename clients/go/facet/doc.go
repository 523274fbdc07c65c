// Package facet is the Go client of a facetd daemon: it hands a robot's program
// synchronised frames of an array of image-sensor chips, and changes what the array does.
//
// A program connects, subscribes and takes frame sets in a loop:
//
//	c, err := facet.Connect("127.0.0.1:7660", facet.Options{})
//	...
//	for set, err := range c.FrameSets(ctx, facet.StreamOptions{Tasks: []string{"wall"}}) {
//		if err != nil {
//			return err
//		}
//		if set.IsStale(100 * time.Millisecond) {
//			stop() // never act on old light
//			continue
//		}
//		steer(set)
//	}
//
// A stream that breaks is opened again by itself, with growing pauses; what was lost
// stands in the Gap of the first frame set afterwards. A client is safe for concurrent
// use; a frame set belongs to whoever received it.
//
// Frames say when their light was sampled. A robot must not act on frames that are older
// than its own dynamics allow: check the age of each, and have a safe state for when
// none come. What is safe is for the robot's own hazard analysis to say, and no client
// can promise that a frame arrives.
//
// The messages themselves are those of package facetdv1, which is the schema; this package adds
// what every program would otherwise write around them.
package facet
