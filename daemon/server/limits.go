package server

import (
	"fmt"

	"facetd.example/api/yamlfile"
	"facetd.example/daemon/access"
	"facetd.example/daemon/api"
)

// Limits are all bounds that the daemon sets to what comes in from outside.
func Limits() []api.Limit {
	return append(api.Limits(), []api.Limit{
		{What: "connections open at one address", Value: fmt.Sprint(access.MaxConnections), Then: "a further one is closed, and counted"},
		{What: "headers of an HTTP request", Value: api.Bytes(httpHeaderBytes), Then: "431 Request Header Fields Too Large"},
		{What: "body of an HTTP request that is no call of the API", Value: api.Bytes(httpBodyBytes), Then: "413 Content Too Large"},
		{What: "time for the headers of an HTTP request, TLS handshake included", Value: httpHeaderLimit.String(), Then: "the connection is closed"},
		{What: "time for an HTTP request", Value: httpReadLimit.String(), Then: "the connection is closed"},
		{What: "time for an HTTP answer; for the API over HTTP between two writes", Value: httpWriteLimit.String(), Then: "the connection is closed"},
		{What: "silence on an HTTP connection", Value: httpIdleLimit.String(), Then: "it is closed"},
		{What: "file of the configuration, an array or tasks", Value: api.Bytes(yamlfile.MaxBytes), Then: "the daemon does not start; a reload is refused"},
	}...)
}
