package api

import (
	"fmt"

	"facetd.example/daemon/access"
)

// Limit is one bound that the server sets, for the documentation.
type Limit struct {
	What  string // what is bounded
	Value string // with its unit
	Then  string // what happens beyond
}

// Limits are the bounds of gRPC, and of the API over HTTP.
func Limits() []Limit {
	return []Limit{
		{"a request", Bytes(MaxReceiveBytes), "RESOURCE_EXHAUSTED"},
		{"an answer", Bytes(MaxSendBytes), "RESOURCE_EXHAUSTED; clients must raise their own limit of 4 MiB for large chips"},
		{"headers of a call", Bytes(maxHeaderBytes), "the call is refused"},
		{"calls open on one connection", fmt.Sprint(MaxConcurrentStreams), "further calls wait at the client"},
		{"TLS and HTTP/2 handshake", handshakeLimit.String(), "the connection is closed"},
		{"pings of a client", "one in " + MinPingInterval.String(), "the connection is closed (ENHANCE_YOUR_CALM)"},
		{"silence before the server pings", pingAfterIdle.String(), "it pings"},
		{"answer to the server's ping", pingAnswerLimit.String(), "the connection is closed"},
		{"answer of the API over HTTP", Bytes(MaxWebMessageBytes), "resource_exhausted; larger frame sets go by gRPC"},
		{"calls of the API over HTTP at once", fmt.Sprint(MaxWebCalls), "429 Too Many Requests"},
		{"reading of what was written over HTTP", webStall.String(), "the connection is closed"},
		{"stream after its token or certificate was taken away, or expired", access.EndOfStreamLimit.String(), "it is ended"},
	}
}

// Bytes writes a number of bytes with a fitting binary unit.
func Bytes(n int) string {
	for _, u := range []struct {
		size int
		name string
	}{{1 << 30, "GiB"}, {1 << 20, "MiB"}, {1 << 10, "KiB"}} {
		if n >= u.size && n%u.size == 0 {
			return fmt.Sprintf("%d %s", n/u.size, u.name)
		}
	}
	return fmt.Sprintf("%d B", n)
}
