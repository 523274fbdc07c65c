// Package geometry says where the pixels of a chip look, how sharply and how brightly its lens shows it to them: the
// lattice, the mount, the projection of the lens, its aperture and its falloff. It is pure, and knows nothing of
// scenes, chips and buses. Camera puts the parts together.
//
// # Frames and angles
//
// The body frame has x forward, y left and z up. An azimuth is counted from x towards y (left positive), an elevation
// from the xy plane towards z (up positive). A mount turns the chip by yaw about z, then by pitch (up positive), then
// by
// roll about its own view axis, right-handed: under a positive roll the left edge of the chip goes up, so the chip
// turns
// clockwise as seen from behind and the picture it takes turns anticlockwise.
//
// Row 0 is the top and column 0 the left of what the chip looks at: a lens turns the picture over, and the lattice is
// numbered so that this is undone. A point of the sensor is given in column pitches from the middle of the array, x to
// the right (towards higher columns) and y down (towards higher rows).
package geometry
