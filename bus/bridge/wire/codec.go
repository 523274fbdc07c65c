package wire

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// HeaderSize is the size of Header in bytes.
const HeaderSize = 20

// Sizes of what programs and links are made of, in bytes.
const (
	PinEventSize = 52
	PinHelloSize = 6
	PinEdgeSize  = 10
)

// ErrShort is the error of bytes that end too early.
var ErrShort = errors.New("the message is too short")

// Append appends the bytes of a fixed message to dst. The message is one of this package's structs, not a pointer.
func Append(dst []byte, message any) []byte {
	out, err := binary.Append(dst, binary.LittleEndian, message)
	if err != nil {
		return dst // no message of this package is without a fixed size; TestEveryMessage tries them all
	}
	return out
}

// Take reads a fixed message from the beginning of b, into a pointer to it, and returns the bytes behind it. Error:
// ErrShort.
func Take(b []byte, message any) ([]byte, error) {
	n, err := binary.Decode(b, binary.LittleEndian, message)
	if err != nil {
		return nil, ErrShort
	}
	return b[n:], nil
}

// Frame is one frame: its header and its payload.
type Frame struct {
	Header
	Payload []byte
}

// Encode appends a frame's bytes to dst; Length and Version are filled in. Error: a payload that is too long.
func (f *Frame) Encode(dst []byte) ([]byte, error) {
	if len(f.Payload) > MaxPayload {
		return dst, fmt.Errorf("a payload of %d bytes, and a frame carries %d", len(f.Payload), MaxPayload)
	}
	f.Version, f.Length = Major, uint16(len(f.Payload))
	return append(Append(dst, f.Header), f.Payload...), nil
}

// Decode reads a frame, whose payload is part of b. Errors: what is wrong with its length. The version is for the
// caller to judge.
func Decode(b []byte) (Frame, error) {
	var f Frame
	rest, err := Take(b, &f.Header)
	if err != nil {
		return f, err
	}
	if int(f.Length) != len(rest) || len(rest) > MaxPayload {
		return f, fmt.Errorf("a frame that says it carries %d bytes has %d", f.Length, len(rest))
	}
	f.Payload = rest
	return f, nil
}

// maxFrame is the longest frame on a stream.
const maxFrame = HeaderSize + MaxPayload

// WriteStream writes a frame to a stream, its length before it as four bytes.
func WriteStream(w io.Writer, f *Frame) error {
	b, err := f.Encode(make([]byte, 4, 4+maxFrame))
	if err != nil {
		return err
	}
	binary.LittleEndian.PutUint32(b, uint32(len(b)-4))
	_, err = w.Write(b)
	return err
}

// ReadStream reads a frame from a stream. Errors: the reader's; io.ErrUnexpectedEOF where the stream ends within a
// frame; what is wrong with the frame, after which the stream cannot be read any more.
func ReadStream(r io.Reader) (Frame, error) {
	var length [4]byte
	if _, err := io.ReadFull(r, length[:]); err != nil {
		return Frame{}, err
	}
	n := binary.LittleEndian.Uint32(length[:])
	if n < HeaderSize || n > maxFrame {
		return Frame{}, fmt.Errorf("a frame of %d bytes is not possible", n)
	}
	b := make([]byte, n)
	if _, err := io.ReadFull(r, b); err != nil {
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		return Frame{}, err
	}
	return Decode(b)
}
