// Package motion says how the picture of a chip moved between two frames, and what the whole array makes of that: how
// the body turns, where it heads, and how near things are. It is pure.
//
// # One pair of frames
//
// An Estimator holds the light to be the same but for its place and for one offset: second(x) = first(x - shift) +
// offset. It is least squares on gradients: a matched pair of filters, p = (b, 1-2b, b) and d = (-1/2, 0, 1/2), gives
// for each pixel the two gradients, of the mean of both frames, and the difference of the frames. A grating over whole
// periods with k radians a pixel that moved by u gives 2 tan(ku/2) (1 - 2b (1 - cos k)) / sin k. With b = 1/6 the
// error is of the fourth order in k; with 0.18 it is smaller over the whole band that a lens leaves. On a hexagonal
// lattice the differences along its three axes are taken together, smoothed by the six neighbours; on fewer than five
// rows each row stands for itself, and only what moves along it is told.
//
// What moves far is shifted back by whole pixels before, by a hint or by a search over all of them, and once more
// where the result is nearer to other pixels. Of frames above 128 x 128 the search compares some pixels only, or it
// would take minutes.
//
// # How sure it is
//
// The filters correlate the noise of neighbours: with the residual s of an equation and the sum of squares E of the
// smoothing filter, the covariance of the result is s^2 (G'G)^-1 / E, times the part of the noise that passes the
// filter where the texture is, which is told by how gradients beside each other differ. Noise also makes gradients
// where there are none, which draws the result to zero; that part of G'G is known from the noise, and is taken off.
// Where not more than that is left, nothing is told: the light is flat.
//
// Light that changes between the frames is the offset. A texture along one direction tells nothing of the other; the
// information matrix says so, and nothing needs a rule.
//
// # The array
//
// A Solver puts chips together with the distance of what each part of a frame sees unknown. That is eliminated, so
// that however many chips there are seven unknowns remain: the turn w, the way v, and one over the speed. The lens of
// a chip at p moves by v + w x p when the body turns; pictures do not tell lengths, but where lenses are apart this
// one between them does, and with it the speed. It is taken into account where the pictures show it; where they do
// not, it does not matter.
//
// The weight of a chip is by the noise that is left under a turn and a way of each part of its frame: by what a shift
// of the whole leaves, those that see things grow, and so tell most, would count least.
package motion
