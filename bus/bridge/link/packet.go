package link

import (
	"encoding/binary"
	"errors"
	"hash/crc32"

	"facetd.example/bus/bridge/wire"
)

// Sizes, in bytes.
const (
	maxFrame  = wire.HeaderSize + wire.MaxPayload
	maxPacket = maxFrame + 4
)

// errSpoiled is the error of a packet whose CRC is not that of its frame.
var errSpoiled = errors.New("a packet was spoiled on the link")

// seal appends the CRC-32 of a frame to it, which makes it a packet. Its polynomial is that of Ethernet (from memory).
func seal(frame []byte) []byte {
	return binary.LittleEndian.AppendUint32(frame, crc32.ChecksumIEEE(frame))
}

// open returns the frame of a packet. Error: errSpoiled.
func open(packet []byte) ([]byte, error) {
	n := len(packet) - 4
	if n < wire.HeaderSize || n > maxFrame || binary.LittleEndian.Uint32(packet[n:]) != crc32.ChecksumIEEE(packet[:n]) {
		return nil, errSpoiled
	}
	return packet[:n], nil
}

// appendCoded appends a packet to dst as it goes over a serial line: encoded by COBS (consistent overhead byte
// stuffing), which leaves no 0 in it, and a 0 behind it.
func appendCoded(dst, packet []byte) []byte {
	block := len(dst)
	dst = append(dst, 1)
	for _, b := range packet {
		if dst[block] == 255 {
			block = len(dst)
			dst = append(dst, 1)
		}
		if b != 0 {
			dst = append(dst, b)
			dst[block]++
			continue
		}
		block = len(dst)
		dst = append(dst, 1)
	}
	return append(dst, 0)
}

// decode decodes what came before a 0 on a serial line, in place. Error: errSpoiled.
func decode(coded []byte) ([]byte, error) {
	out := coded[:0]
	for len(coded) > 0 {
		n := int(coded[0])
		if n == 0 || n > len(coded) {
			return nil, errSpoiled
		}
		out = append(out, coded[1:n]...)
		coded = coded[n:]
		if n < 255 && len(coded) > 0 {
			out = append(out, 0)
		}
	}
	return out, nil
}
