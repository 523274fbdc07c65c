// Package autoexposure is the control law of automatic exposure and gain: from what the frames of a job show, and the
// settings with which they were made, it says with which the next job is to be made.
//
// Of pixels that integrate, the signal grows with the exposure, so one frame that is neither dark nor saturated gives
// the exposure for a level; from one that is, the light can be told to be at least so many times more or less, and the
// next is tried there. Without an exposure to set, the voltages of the pixels are worked out from the codes, and gain
// and offset chosen so that they lie within the range. Every sample is taken with the settings of its own frame: what
// was handed to the bus meanwhile makes the answer come later, and does not make it swing.
//
// Light on alternating mains flickers, and a rate that is no part of its frequency sees it beat as slowly as any change
// of the scene. So samples are averaged, unless one is so far from the mean that it is another light. Light that comes
// and goes by as much again and again is flicker, too: then more is taken for it, for a while.
//
// It is pure: no clock, goroutine, logger or bus. The numbers of it are our choice, no source.
package autoexposure
