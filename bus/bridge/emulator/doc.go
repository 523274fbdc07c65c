// Package emulator is the world around a board that QEMU emulates: chips behind its pins, and the way to its link, over
// named pipes by which the emulated firmware writes and reads files. The board stands still while it waits for its
// world, and its time with it.
package emulator
