// Package link is the way to a device: connections over which frames go, some of which lose, double, spoil or reorder
// them, and the delivery of frames once and in order over those.
package link
