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
		{"time for a request to arrive, from its headers on", api.RequestLimit.String(), "DEADLINE_EXCEEDED"},
		{"requests of callers of one role that are being received at once", fmt.Sprint(api.MaxReceiving),
			"after a second RESOURCE_EXHAUSTED"},
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
		{"of these, viewers'", fmt.Sprint(api.MaxWebViewers),
			"the same: there is always a place for operators"},
		{"reading of what was written over HTTP", api.WebStall.String(), "the connection is closed"},
		{"stream after its token or certificate was taken away, or expired", access.EndOfStreamLimit.String(),
			"it is ended"},
		{"connection without an admitted call", access.CallLimit.String(), "it is closed"},
		{"such connections at one of our addresses", fmt.Sprint(access.MaxNew),
			"another of them is closed, first what is old or has said least, of the address that has most"},
		{"of these from one address elsewhere (IPv6: a network of 64 bits)", fmt.Sprint(access.MaxNewPerAddress),
			"another of that address is closed"},
		{"what is read of such a connection", binary(access.MaxNewBytes), "the rest waits for its end"},
		{"connections with an admitted call at one of our addresses", fmt.Sprint(access.MaxConnections),
			"the one that has been idle longest is closed; with none idle RESOURCE_EXHAUSTED, over HTTP 429"},
		{"of these, viewers'", fmt.Sprint(access.MaxViewers),
			"the same among viewers': there is always a place for operators"},
		{"of these, from one address elsewhere", fmt.Sprint(access.MaxViewersPerAddress), "the same among its own"},
		{"gRPC connection without a call under way", api.IdleLimit.String(), "it is ended; clients connect anew"},
		{"requests under way on one HTTP/2 connection", fmt.Sprint(server.HTTPStreams),
			"further ones wait at the client"},
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
