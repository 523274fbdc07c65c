package server

import (
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Limits of the HTTP server. It has no queue: what is asked is answered or, beyond
// the limits of the metrics handler, refused.
const (
	httpHeaderLimit = 5 * time.Second
	httpReadLimit   = 10 * time.Second
	httpWriteLimit  = 30 * time.Second
	httpIdleLimit   = 2 * time.Minute
	httpHeaderBytes = 16 << 10
	httpBodyBytes   = 4 << 10
)

var index = template.Must(template.New("index").Parse(`<!DOCTYPE html>
<html lang="en"><meta charset="utf-8"><title>facetd: {{.Array}}</title>
<h1>facetd</h1>
<p>Array {{.Array}}, {{.Chips}} chips. Version {{.Version}}.</p>
<ul>
<li><a href="/metrics">/metrics</a>: Prometheus metrics</li>
<li><a href="/healthz">/healthz</a>: 200 while the timetable runs, 503 otherwise</li>
{{with .Addresses.GRPC}}<li>gRPC on <code>{{.}}</code></li>
{{end}}{{with .Addresses.Unix}}<li>gRPC on <code>unix:{{.}}</code></li>
{{end}}</ul>
`))

func (s *Server) newHTTP() *http.Server {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", s.metrics.Handler())
	mux.HandleFunc("GET /healthz", s.healthz)
	mux.HandleFunc("GET /{$}", s.index)
	return &http.Server{
		Handler:           http.MaxBytesHandler(mux, httpBodyBytes),
		ReadHeaderTimeout: httpHeaderLimit, ReadTimeout: httpReadLimit,
		WriteTimeout: httpWriteLimit, IdleTimeout: httpIdleLimit,
		MaxHeaderBytes: httpHeaderBytes,
		ErrorLog:       zap.NewStdLog(s.log.Named("http")),
	}
}

// healthz answers 200 exactly while the API's health is SERVING.
func (s *Server) healthz(w http.ResponseWriter, _ *http.Request) {
	st := s.api.Status()
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if st.GetState() != facetdv1.State_STATE_RUNNING {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	line := strings.ToLower(strings.TrimPrefix(st.GetState().String(), "STATE_"))
	if st.GetFault() != "" {
		line += ": " + st.GetFault()
	}
	fmt.Fprintln(w, line)
}

func (s *Server) index(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	err := index.Execute(w, map[string]any{
		"Array": s.array.Name, "Chips": len(s.array.Chips), "Version": s.cfg.Version, "Addresses": s.Addresses(),
	})
	if err != nil {
		s.log.Debug("index page not sent", zap.Error(err))
	}
}
