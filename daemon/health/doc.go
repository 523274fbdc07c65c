// Package health judges chips by their frames: what is wrong, by which figure and which limit, what may be the cause
// and what to do next. It is pure: times are bus times that come with the frames.
//
// A Sampler turns single frames into figures (Sample), a Monitor judges figures over time, and its Report puts
// what has a common cause together: chips that share a lane, a select line or the light are one finding.
//
// # What tells a dead chip from a dark wall
//
// A chip that does not drive its lane leaves the noise of the undriven lane alone: what the array file says of the
// converter. A chip that does drive it adds the fixed pattern of its own pixels, in any light, down to none. So a frame
// shows no chip where its spread from pixel to pixel is that of the lane, while what the noise budget says of the
// pattern of such a view is well above. Where it is not (ideal pixels, strong smoothing, few pixels), or where pixels
// stand at an end of what the chip can put out, nothing is concluded. What level the lane has does not matter: boards
// differ in it.
//
// # False alarms
//
// Of chips whose pattern is normal and as large as described, with leastPixels pixels that are independent, fewer than
// one in ten million has a spread below 1/leastContrast of that (chi-squared distribution with 31 degrees of freedom,
// below 31/6.25: derived, 2.5e-8); more pixels make it rarer, smoothing makes them count as fewer. Light adds to the
// spread, and takes nothing away. Pixels that stand out count only where the picture moved meanwhile, noise only in
// pairs of frames between which nothing moved, as the least of several, and a pattern only beyond five standard
// deviations. What is found on fault-free arrays, in any light, is tested: nothing.
package health
