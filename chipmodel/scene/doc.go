// Package scene says what light falls on each pixel of each chip at each
// instant of bus time. It is pure: no clock, file, goroutine or global state;
// every scene is a function of (view, row, time) and safe for concurrent use,
// but for one that remembers (Remembering), which is for one goroutine.
//
// Frames, angles and lenses are those of package geometry; the body is the crawler.
//
// # Light
//
// A value is the illuminance in lux on the sensor plane. A scene states the
// illuminance that a surface of that brightness gives on the optical axis: the
// constant of the lens (transmission times pi/4 over the f-number squared,
// which is equal for all surfaces) is already in it. Off the axis the
// falloff of the chip's lens is applied by the scene. Hence a uniform
// scene gives equal light on every pixel exactly when there is none, and
// is a flat field for the shading otherwise. Colour is reduced to luminance.
//
// A pixel is given the mean over its cell, widened by the blur of its lens: over its own shape where that is far from
// square, by its pitches or through its lens, and else over the square of its area. The blur is
// round on the sensor, and that of the whole lens: a Gaussian with the variances of its own errors, of diffraction and
// of defocus together (geometry.Spread).
package scene
