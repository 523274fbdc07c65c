// Package scene says what light falls on each pixel of each chip at each
// instant of bus time. It is pure: no clock, file, goroutine or global state;
// every scene is a function of (view, row, time) and safe for concurrent use.
//
// # Frames and angles
//
// The body frame of the crawler has x forward, y left and z up. An azimuth is
// counted from x towards y (left positive), an elevation from the xy plane
// towards z (up positive). A mount turns the chip by yaw about z, then by pitch
// (up positive), then by roll about its own view axis, right-handed: under a
// positive roll the left edge of the chip goes up, so the chip turns clockwise
// as seen from behind and the picture it takes turns anticlockwise.
//
// Row 0 is the top and column 0 the left of what the chip looks at: a lens
// turns the picture over, and the lattice is numbered so that this is undone.
//
// # Light
//
// A value is the illuminance in lux on the sensor plane. A scene states the
// illuminance that a surface of that brightness gives on the optical axis: the
// constant of the lens (transmission times pi/4 over the f-number squared,
// which is equal for all surfaces) is already in it. Off the axis the
// vignetting of the chip's optics is applied by the scene. Hence a uniform
// scene gives equal light on every pixel exactly when the vignetting is 0, and
// is a flat field for the shading otherwise. Colour is reduced to luminance.
//
// A pixel is given the mean over its cell, widened by the blur of its lens: over its own shape where that is far from
// square, by its pitches or through its lens, and else over the square of its area. The blur is round on the sensor.
package scene
