// Package wire is the protocol between a bridge's driver and its firmware: messages of fixed layout, frames with
// session, boot and sequence numbers, and the form in which frames go over a stream. The messages are described once,
// in messages.go; the C header that the firmware is compiled with is generated from there.
//
// Everything decoded here comes from outside. Decoders return an error for what they cannot read, and never panic.
package wire
