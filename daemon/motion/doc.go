// Package motion makes estimates of motion from corrected frame sets as they come, and serves them.
//
// Each stream compares every frame with the one before of the same chip and view, in a tracker of its own that lives as
// long as the stream; what package chipmodel/motion says of pixels becomes angles through the lens and the mount of the
// chip, and rates by the times of the lights. A stream has two queues. Frame sets wait for the tracker in one of the
// hub's, of which it is a subscriber; that loses the oldest when the machine cannot keep up. Estimates wait for the
// client by the policy that it chose. Both losses are counted, and told in the stream.
package motion
