package server

import (
	"fmt"
	"net"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/access"
	"facetd.example/daemon/page"
	"facetd.example/daemon/record"
)

// Limits of the HTTP server. It has no queue: a request is answered or, beyond the limits of the
// metrics handler, refused.
const (
	HTTPHeaderLimit = 5 * time.Second
	HTTPReadLimit   = 10 * time.Second
	HTTPWriteLimit  = 30 * time.Second
	HTTPIdleLimit   = 2 * time.Minute
	HTTPHeaderBytes = 16 << 10
	HTTPBodyBytes   = 4 << 10
	// HTTPStreams is how many requests one HTTP/2 connection has under way, and httpWindow how much of their bodies is
	// kept that nobody has asked for yet.
	HTTPStreams = 128
	httpWindow  = 64 << 10
	httpPing    = 30 * time.Second
)

func (s *Server) newHTTP() (*http.Server, error) {
	web, err := s.api.Web()
	if err != nil {
		return nil, err
	}
	operators, err := page.Handler(web, s.api.Services())
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", http.MaxBytesHandler(s.metrics.Handler(), HTTPBodyBytes))
	mux.HandleFunc("GET /healthz", s.healthz)
	mux.Handle("GET /recordings/{file}", s.access.Lasting(facetdv1.RecordService_DownloadRecording_FullMethodName,
		http.MaxBytesHandler(record.NewService(s.keeping.recordings), HTTPBodyBytes)))
	mux.Handle("/", operators) // limits the bodies of its calls itself
	return &http.Server{
		Handler:           s.access.Guard(mux),
		ConnContext:       access.ConnContext,
		TLSConfig:         s.access.HTTPConfig(),
		ReadHeaderTimeout: HTTPHeaderLimit, ReadTimeout: HTTPReadLimit,
		WriteTimeout: HTTPWriteLimit, IdleTimeout: HTTPIdleLimit,
		MaxHeaderBytes: HTTPHeaderBytes,
		HTTP2: &http.HTTP2Config{MaxConcurrentStreams: HTTPStreams, MaxReceiveBufferPerConnection: httpWindow,
			MaxReceiveBufferPerStream: httpWindow, SendPingTimeout: httpPing, PingTimeout: HTTPReadLimit},
		ErrorLog: zap.NewStdLog(s.log.Named("http")),
	}, nil
}

// serveHTTP speaks TLS where the listener is not a loopback one.
func (s *Server) serveHTTP(l net.Listener) error {
	if access.SpeaksTLS(l) {
		return s.http.ServeTLS(l, "", "")
	}
	return s.http.Serve(l)
}

// healthz answers 200 exactly while the API's health is SERVING.
func (s *Server) healthz(w http.ResponseWriter, _ *http.Request) {
	st := s.api.Status()
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if st.GetState() != facetdv1.State_STATE_RUNNING {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	line := strings.ToLower(strings.TrimPrefix(st.GetState().String(), "STATE_"))
	switch stop := s.Stopped(); {
	case st.GetFault() != "":
		line += ": " + st.GetFault()
	case st.GetState() == facetdv1.State_STATE_SAFE_STOP && stop != nil:
		line += ": " + stop.Text()
	}
	fmt.Fprintln(w, line)
}
