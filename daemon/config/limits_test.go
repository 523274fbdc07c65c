package config_test

import (
	"fmt"

	"facetd.example/api/yamlfile"
	"facetd.example/daemon/access"
	"facetd.example/daemon/api"
	"facetd.example/daemon/server"
)

// limit is one bound that the daemon sets to what comes in from outside.
type limit struct {
	what  string // what is bounded
	value string // with its unit
	then  string // what happens beyond
}

func limits() []limit {
	return []limit{
		{"a request", binary(api.MaxReceiveBytes), "RESOURCE_EXHAUSTED"},
		{"an answer", binary(api.MaxSendBytes),
			"RESOURCE_EXHAUSTED; clients must raise their own limit of 4 MiB for large chips"},
		{"headers of a call", binary(api.MaxHeaderBytes), "the call is refused"},
		{"calls open on one connection", fmt.Sprint(api.MaxConcurrentStreams), "further calls wait at the client"},
		{"TLS and HTTP/2 handshake", api.HandshakeLimit.String(), "the connection is closed"},
		{"pings of a client", "one in " + api.MinPingInterval.String(), "the connection is closed (ENHANCE_YOUR_CALM)"},
		{"silence before the server pings", api.PingAfterIdle.String(), "it pings"},
		{"answer to the server's ping", api.PingAnswerLimit.String(), "the connection is closed"},
		{"answer of the API over HTTP", binary(api.MaxWebMessageBytes),
			"resource_exhausted; larger frame sets go by gRPC"},
		{"calls of the API over HTTP at once", fmt.Sprint(api.MaxWebCalls), "429 Too Many Requests"},
		{"reading of what was written over HTTP", api.WebStall.String(), "the connection is closed"},
		{"stream after its token or certificate was taken away, or expired", access.EndOfStreamLimit.String(),
			"it is ended"},
		{"connections open at one address", fmt.Sprint(access.MaxConnections), "a further one is closed, and counted"},
		{"headers of an HTTP request", binary(server.HTTPHeaderBytes), "431 Request Header Fields Too Large"},
		{"body of an HTTP request that is no call of the API", binary(server.HTTPBodyBytes), "413 Content Too Large"},
		{"time for the headers of an HTTP request, TLS handshake included", server.HTTPHeaderLimit.String(),
			"the connection is closed"},
		{"time for an HTTP request", server.HTTPReadLimit.String(), "the connection is closed"},
		{"time for an HTTP answer; for the API over HTTP between two writes", server.HTTPWriteLimit.String(),
			"the connection is closed"},
		{"silence on an HTTP connection", server.HTTPIdleLimit.String(), "it is closed"},
		{"file of the configuration, an array or tasks", binary(yamlfile.MaxBytes),
			"the daemon does not start; a reload is refused"},
		{"marks that begin or separate values in such a file (, : - ? [ {)", fmt.Sprint(yamlfile.MaxMarks), "the same"},
		{"a picture of the scene", binary(server.MaxFileBytes), "the same"},
		{"a certificate, a key or a revocation list", binary(access.MaxFileBytes), "the same"},
	}
}

// binary writes a number of bytes with a fitting binary unit.
func binary(n int) string {
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
