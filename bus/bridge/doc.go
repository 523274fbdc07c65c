// Package bridge is the bus of a real array: a microcontroller runs the programs, and this is the driver that talks to
// its firmware. The firmware is in the folder firmware, the protocol between the two in wire, and chips for a board
// that has none in chips.
//
// Device holds the connection to one device and knows what it is; Bus is the bus.BusCloser on top of it. All times of a
// device are ticks of its clock, which is the bus time: it begins when the device begins, and the host follows it.
//
// The device is heard by a goroutine of its session, which puts codes where they belong; a second one asks for its
// time, several times in a lease, which is also how the device hears that its host is there. The queue of results is
// as long as the queue of the device, and no result is lost: what the device does not tell is told as a loss.
package bridge
