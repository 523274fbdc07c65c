package api

import (
	"bytes"
	"errors"
	"io"
	"mime"
	"net/http"
	"time"

	"connectrpc.com/vanguard"
	"connectrpc.com/vanguard/vanguardgrpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"facetd.example/daemon/access"
	"facetd.example/daemon/status"
)

// Limits of calls over HTTP.
const (
	// MaxWebMessageBytes limits one message to a client over HTTP, which is held whole
	// in memory several times while it is put into JSON. Larger frame sets go by gRPC.
	MaxWebMessageBytes = 32 << 20
	// MaxWebCalls is how many calls over HTTP run at once, streams included; further
	// ones are refused.
	MaxWebCalls = 128
	// MaxWebViewers is how many of them viewers may have, so that there is always a place for an operator.
	MaxWebViewers = 96
	// WebStall is how long a client may take to read what was written to it before it
	// is cut off.
	WebStall = 30 * time.Second
)

// Web returns a handler that serves the same services over HTTP to clients that cannot speak gRPC,
// such as a page in a browser: by the Connect protocol with JSON (calls of one answer are a POST of
// JSON, streams are JSON in envelopes of five bytes) and by gRPC-Web. A call takes the same way as
// every other: through the same interceptors to the same services, with the request's headers as
// its metadata. It costs several times what native gRPC does, which therefore keeps a listener of
// its own.
//
// The headers of a stream's answer leave with its first message, not before.
//
// JSON has the schema's field names; fields that hold their default are left out.
func (s *Server) Web() (http.Handler, error) {
	transcoder, err := vanguardgrpc.NewTranscoder(s.grpc,
		vanguard.WithDefaultServiceOptions(
			vanguard.WithTargetCodecs(vanguard.CodecProto), vanguard.WithTargetProtocols(vanguard.ProtocolGRPC),
			vanguard.WithMaxMessageBufferBytes(MaxWebMessageBytes)),
		vanguard.WithCodec(func(types vanguard.TypeResolver) vanguard.Codec {
			return webJSON{vanguard.JSONCodec{
				MarshalOptions:   protojson.MarshalOptions{Resolver: types, UseProtoNames: true},
				UnmarshalOptions: protojson.UnmarshalOptions{Resolver: types},
			}}
		}))
	if err != nil {
		return nil, err
	}
	places := newWebPlaces()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		caller, known := access.CallerOf(r.Context())
		give, free := places.take(known && caller.Role < access.Operator)
		defer give()
		if !free {
			http.Error(w, "too many calls over HTTP run already; try again when one has ended",
				http.StatusTooManyRequests)
			return
		}
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, MaxReceiveBytes))
		if err != nil {
			http.Error(w, "the request could not be read: "+err.Error(), http.StatusRequestEntityTooLarge)
			return
		}
		if body, err = unpack(r.Header, body); err != nil {
			code := http.StatusBadRequest
			if errors.Is(err, errTooLarge) {
				code = http.StatusRequestEntityTooLarge
			}
			http.Error(w, err.Error(), code)
			return
		}
		r.ContentLength = int64(len(body))
		asConnect(r)
		patient := newPatient(w)
		r.Body = io.NopCloser(bytes.NewReader(body))
		transcoder.ServeHTTP(patient, r)
	}), nil
}

// webPlaces are those of calls over HTTP that run.
type webPlaces struct{ all, viewers chan struct{} }

func newWebPlaces() *webPlaces {
	return &webPlaces{make(chan struct{}, MaxWebCalls), make(chan struct{}, MaxWebViewers)}
}

// take takes a place until give is called, and reports whether there is one.
func (p *webPlaces) take(viewer bool) (give func(), free bool) {
	from := []chan struct{}{p.all}
	if viewer {
		from = append(from, p.viewers)
	}
	taken := 0
	give = func() {
		for _, places := range from[:taken] {
			<-places
		}
	}
	for _, places := range from {
		select {
		case places <- struct{}{}:
			taken++
		default:
			return give, false
		}
	}
	return give, true
}

// asConnect has a POST of JSON be one of the Connect protocol, also from a client that does not say so: the library
// would look for a mapping to REST, and there is none.
func asConnect(r *http.Request) {
	const version = "Connect-Protocol-Version"
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err == nil && kind == "application/json" && r.Method == http.MethodPost && r.Header.Get(version) == "" {
		r.Header.Set(version, "1")
	}
}

// webJSON is JSON whose errors are the client's: the library would call them unknown
// errors.
type webJSON struct{ vanguard.JSONCodec }

func (j webJSON) Unmarshal(data []byte, m proto.Message) error {
	if err := j.JSONCodec.Unmarshal(data, m); err != nil {
		return status.BadWebRequest(err)
	}
	return nil
}

// patientWriter extends the write deadline with every write, so that a stream may last as long as
// its client reads.
type patientWriter struct {
	http.ResponseWriter
	to *http.ResponseController
}

// newPatient is for a request that was read to its end: a read deadline would now only end a long
// stream, since the server takes it for a client that went away.
func newPatient(w http.ResponseWriter) *patientWriter {
	p := &patientWriter{ResponseWriter: w, to: http.NewResponseController(w)}
	_ = p.to.SetReadDeadline(time.Time{}) // else the server's own limit holds
	p.extend()
	return p
}

func (w *patientWriter) extend() {
	_ = w.to.SetWriteDeadline(time.Now().Add(WebStall)) // else the server's own limit holds
}

func (w *patientWriter) Write(p []byte) (int, error) {
	w.extend()
	return w.ResponseWriter.Write(p)
}

func (w *patientWriter) Flush() {
	w.extend()
	_ = w.to.Flush() // the next write fails as well
}

func (w *patientWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }
