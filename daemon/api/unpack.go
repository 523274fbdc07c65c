package api

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"io"
	"net/http"
	"strings"
)

// encodings are the headers that say how the messages of a request over HTTP are compressed, one for each protocol.
var encodings = []string{"Content-Encoding", "Connect-Content-Encoding", "Grpc-Encoding"}

// envelopeBytes stand before each message of a stream, and before that of a call by gRPC-Web: flags, of which 1 is that
// the message is compressed, and its length.
const (
	envelopeBytes  = 5
	flagCompressed = 1
)

// errTooLarge is about a request that unpacks to more than it may have.
var errTooLarge = fmt.Errorf("the request unpacks to more than %d bytes", MaxReceiveBytes)

// unpack returns the body of a request over HTTP without its compression, of which its headers then say nothing: the
// library would unpack it to whatever size. Other compressions than gzip are left to the library, which knows none.
// Errors, which are for the client: errTooLarge, others.
func unpack(h http.Header, body []byte) ([]byte, error) {
	packed := false
	for _, name := range encodings {
		if strings.EqualFold(h.Get(name), "gzip") {
			h.Del(name)
			packed = true
		}
	}
	if !packed {
		return body, nil
	}
	h.Del("Content-Length")
	kind := h.Get("Content-Type")
	if !strings.HasPrefix(kind, "application/connect+") && !strings.HasPrefix(kind, "application/grpc") {
		return gunzip(nil, body)
	}
	var out []byte
	for len(body) >= envelopeBytes {
		n := uint64(binary.BigEndian.Uint32(body[1:envelopeBytes]))
		if n > uint64(len(body)-envelopeBytes) {
			break // the library says what is wrong with it
		}
		flags, message, at := body[0], body[envelopeBytes:envelopeBytes+n], len(out)
		out = append(out, flags&^flagCompressed, 0, 0, 0, 0)
		if flags&flagCompressed == 0 {
			out = append(out, message...)
		} else {
			var err error
			if out, err = gunzip(out, message); err != nil {
				return nil, err
			}
		}
		binary.BigEndian.PutUint32(out[at+1:], uint32(len(out)-at-envelopeBytes))
		body = body[envelopeBytes+n:]
	}
	return append(out, body...), nil
}

// gunzip appends what data unpack to, MaxReceiveBytes in all.
func gunzip(dst, data []byte) ([]byte, error) {
	if len(data) == 0 {
		return dst, nil
	}
	z, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("the request is not compressed by gzip: %w", err)
	}
	out := bytes.NewBuffer(dst)
	if _, err := io.Copy(out, io.LimitReader(z, int64(MaxReceiveBytes-len(dst))+1)); err != nil {
		return nil, fmt.Errorf("the request cannot be unpacked: %w", err)
	}
	if out.Len() > MaxReceiveBytes {
		return nil, errTooLarge
	}
	return out.Bytes(), nil
}
