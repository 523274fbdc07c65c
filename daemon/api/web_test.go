package api

import (
	"bytes"
	stdgzip "compress/gzip"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding/gzip"
	"google.golang.org/grpc/metadata"
	grpcstatus "google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

// web serves a rig over HTTP with limits of time, as a server does.
func web(t *testing.T, r *rig) *httptest.Server {
	t.Helper()
	return webWithin(t, r, patience)
}

// shortly is a limit of time that passes while a test runs. A request has to be read within it, also on a machine that
// others keep busy.
const shortly = 750 * time.Millisecond

// webWithin is web with other limits of time.
func webWithin(t *testing.T, r *rig, limit time.Duration) *httptest.Server {
	t.Helper()
	h, err := r.Web()
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewUnstartedServer(h)
	s.Config.ReadTimeout, s.Config.WriteTimeout = limit, limit
	s.Start()
	t.Cleanup(s.Close)
	t.Cleanup(func() { r.hub.Close("the test is over") }) // first, so that streams end
	return s
}

func post(t *testing.T, s *httptest.Server, method, kind string, body []byte, header ...string) *http.Response {
	t.Helper()
	req, err := http.NewRequestWithContext(limited(t), http.MethodPost, s.URL+"/facetd.v1."+method,
		bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", kind)
	req.Header.Set("Connect-Protocol-Version", "1")
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := s.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { resp.Body.Close() })
	return resp
}

// envelope is a message of a stream: a byte of flags and the length before it.
func envelope(flags byte, message string) []byte {
	return append(binary.BigEndian.AppendUint32([]byte{flags}, uint32(len(message))), message...)
}

// watch opens a stream of the status, which comes at once and then in turns that are longer than the server's limits.
func watch(t *testing.T, s *httptest.Server) *http.Response {
	t.Helper()
	resp := post(t, s, "StatusService/WatchStatus", "application/connect+json", envelope(0, `{"interval":"1s"}`))
	if resp.StatusCode != http.StatusOK {
		t.Fatal(resp.Status)
	}
	return resp
}

// limitPasses waits until the server has cut off a connection that does not send its
// request: then its limits are active, and as much time has passed.
func limitPasses(t *testing.T, s *httptest.Server) {
	t.Helper()
	conn, err := net.Dial("tcp", s.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := conn.Write([]byte("POST / HTTP/1.1\r\n")); err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(io.Discard, conn); err != nil {
		t.Fatal(err)
	}
}

func readEnvelope(t *testing.T, r io.Reader) (flags byte, message map[string]any) {
	t.Helper()
	var head [5]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		t.Fatal(err)
	}
	text := make([]byte, binary.BigEndian.Uint32(head[1:]))
	if _, err := io.ReadFull(r, text); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &message); err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return head[0], message
}

func TestWebUnary(t *testing.T) {
	r := start(t)
	s := web(t, r)
	resp := post(t, s, "StatusService/GetStatus", "application/json", []byte(`{}`))
	var got struct {
		Status struct {
			Version string
			Bus_NS  string // JSON of protocol buffers writes 64-bit integers as strings
			Tasks   []struct{ Task struct{ Name string } }
		}
	}
	if err := json.NewDecoder(resp.Body).Decode(&got); err != nil || resp.StatusCode != 200 {
		t.Fatalf("%v %v", resp.Status, err)
	}
	if got.Status.Version != "1.2.3" || len(got.Status.Tasks) != 2 || got.Status.Tasks[0].Task.Name != "ring" {
		t.Errorf("got %+v", got)
	}
	for _, c := range []struct {
		method, body string
		status       int
		want         string
	}{
		{"TaskService/GetTask", `{"name":"none"}`, 404, `"code":"not_found"`},
		{"TaskService/GetTask", `{"nme":"none"}`, 400, `nme`},
		{"TaskService/GetTask", `{`, 400, `invalid_argument`},
		{"TaskService/Nothing", `{}`, 404, ``},
		{"ArrayService/ComputeReach", `{"lines":["` + strings.Repeat("x", MaxReceiveBytes) + `"]}`, 413, `too large`},
	} {
		resp := post(t, s, c.method, "application/json", []byte(c.body))
		text, _ := io.ReadAll(resp.Body)
		if resp.StatusCode != c.status || !strings.Contains(string(text), c.want) {
			t.Errorf("%s %.40s: %s %.200s, want %d with %q", c.method, c.body, resp.Status, text, c.status, c.want)
		}
	}
}

// TestWebStream: a stream outlives the server's limits of time for reading and
// writing, and ends with the reason.
func TestWebStream(t *testing.T) {
	t.Parallel() // it waits for limits to pass
	r := start(t)
	s := webWithin(t, r, shortly)
	resp := watch(t, s)
	for i := range 3 {
		flags, m := readEnvelope(t, resp.Body)
		if got, _ := m["status"].(map[string]any); flags != 0 || got["version"] != "1.2.3" {
			t.Fatalf("message %d: flags %d, %v", i, flags, m)
		}
		limitPasses(t, s)
	}
	r.Drain("going down")
	for {
		flags, m := readEnvelope(t, resp.Body)
		if flags == 0 {
			continue // it was under way
		}
		if e, _ := m["error"].(map[string]any); flags != 2 || e["code"] != "unavailable" ||
			e["message"] != "going down" {
			t.Errorf("ended with %d %v", flags, m)
		}
		return
	}
}

// TestWebWait: a question for frame sets outlives the server's limits of time while it waits, is answered with pixels,
// and ends with the reason where the daemon does.
func TestWebWait(t *testing.T) {
	t.Parallel() // it waits for limits to pass
	r := start(t)
	s := webWithin(t, r, shortly)
	ask := func() <-chan *http.Response {
		answer := make(chan *http.Response, 1)
		go func() {
			answer <- post(t, s, "FrameService/WaitFrameSets", "application/json",
				[]byte(`{"selection":{"tasks":["ring"]},"wait":"30s"}`))
		}()
		return answer
	}
	answer := ask()
	limitPasses(t, s)
	limitPasses(t, s)
	fs := frameSet("ring", 7, "wall-03", 2)
	fs.Frames[0].Data = []byte{1, 0x0f}
	r.hub.Publish(fs)
	var got struct {
		Deliveries []struct {
			Frame_Set struct{ Frames []struct{ Data []byte } }
		}
	}
	resp := <-answer
	if err := json.NewDecoder(resp.Body).Decode(&got); err != nil || len(got.Deliveries) != 1 ||
		!bytes.Equal(got.Deliveries[0].Frame_Set.Frames[0].Data, []byte{1, 0x0f}) {
		t.Errorf("%s: %+v, %v", resp.Status, got, err)
	}
	r.hub.SetTasks(nil) // what was the newest is so no more
	answer = ask()
	limitPasses(t, s)
	r.hub.Close("going down")
	resp = <-answer
	if text, err := io.ReadAll(resp.Body); err != nil || resp.StatusCode != http.StatusServiceUnavailable ||
		!strings.Contains(string(text), `"going down"`) {
		t.Errorf("%s %s, %v", resp.Status, text, err)
	}
}

// TestWebStreamEndsWithItsReader: where a page is closed, what it had open ends.
func TestWebStreamEndsWithItsReader(t *testing.T) {
	r := start(t)
	ended := make(chan error, 1)
	inner := grpc.NewServer(grpc.StreamInterceptor(func(q any, out grpc.ServerStream, _ *grpc.StreamServerInfo,
		h grpc.StreamHandler) error {
		err := h(q, out)
		ended <- err
		return err
	}))
	facetdv1.RegisterStatusServiceServer(inner, &statusService{s: r.Server})
	s := web(t, &rig{Server: &Server{cfg: r.cfg, grpc: inner}, hub: r.hub})
	watch(t, s).Body.Close()
	select {
	case err := <-ended:
		if !errors.Is(err, context.Canceled) {
			t.Errorf("ended with %v", err)
		}
	case <-time.After(patience):
		t.Errorf("the stream is still open %v after its reader left", patience)
	}
}

// TestWebMetadata: the headers of a call over HTTP are its metadata, through the same
// interceptors, so that whoever checks roles there checks these calls too.
func TestWebMetadata(t *testing.T) {
	r := start(t)
	seen := make(chan []string, 1)
	inner := grpc.NewServer(grpc.UnaryInterceptor(func(ctx context.Context, q any, _ *grpc.UnaryServerInfo,
		h grpc.UnaryHandler) (any, error) {
		md, _ := metadata.FromIncomingContext(ctx)
		seen <- md.Get("authorization")
		return h(ctx, q)
	}))
	facetdv1.RegisterStatusServiceServer(inner, &statusService{s: r.Server})
	s := web(t, &rig{Server: &Server{cfg: r.cfg, grpc: inner}, hub: r.hub})
	resp := post(t, s, "StatusService/GetStatus", "application/json", []byte(`{}`), "Authorization", "Bearer abc")
	if got := <-seen; resp.StatusCode != 200 || len(got) != 1 || got[0] != "Bearer abc" {
		t.Errorf("%s, metadata %v", resp.Status, got)
	}
}

func TestWebCallsAreBounded(t *testing.T) {
	r := start(t)
	s := web(t, r)
	var open []*http.Response
	for range MaxWebCalls {
		open = append(open, watch(t, s))
	}
	if resp := post(t, s, "StatusService/GetStatus", "application/json",
		[]byte(`{}`)); resp.StatusCode != http.StatusTooManyRequests {
		t.Errorf("one call too many: %s", resp.Status)
	}
	r.Drain("no more")
	for i, resp := range open {
		flags := byte(0)
		for flags == 0 {
			flags, _ = readEnvelope(t, resp.Body)
		}
		if flags != 2 {
			t.Errorf("stream %d ended with %d", i, flags)
		}
	}
}

// TestViewersLeavePlaces: however many viewers call over HTTP, operators get in, and every place is given back.
func TestViewersLeavePlaces(t *testing.T) {
	p := newWebPlaces()
	for range 2 {
		var gives []func()
		take := func(viewer bool) bool {
			give, free := p.take(viewer)
			if !free {
				give()
			} else {
				gives = append(gives, give)
			}
			return free
		}
		viewers, operators := 0, 0
		for take(true) {
			viewers++
		}
		for take(false) {
			operators++
		}
		if viewers != MaxWebViewers || operators != MaxWebCalls-MaxWebViewers {
			t.Errorf("%d viewers and %d operators find a place", viewers, operators)
		}
		for _, give := range gives {
			give()
		}
	}
}

// TestAPostWithoutTheProtocolsHeader is a call like any other; what is no JSON stays refused.
func TestAPostWithoutTheProtocolsHeader(t *testing.T) {
	r := start(t)
	s := web(t, r)
	for kind, want := range map[string]int{"application/json": 200, "application/json; charset=utf-8": 200,
		"text/plain": 404} {
		resp, err := s.Client().Post(s.URL+"/facetd.v1.StatusService/GetStatus", kind, strings.NewReader("{}"))
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		_ = resp.Body.Close()
		if err != nil || resp.StatusCode != want || want == 200 && !strings.Contains(string(body), `"STATE_RUNNING"`) {
			t.Errorf("%s: %d %s, %v", kind, resp.StatusCode, body, err)
		}
	}
}

// TestCompressedCalls: a client may compress what it sends, and then gets compressed answers; the limit of a request is
// of what it unpacks to.
func TestCompressedCalls(t *testing.T) {
	r := start(t)
	status := facetdv1.NewStatusServiceClient(r.conn)
	if _, err := status.GetStatus(limited(t), &facetdv1.GetStatusRequest{},
		grpc.UseCompressor(gzip.Name)); err != nil {
		t.Error(err)
	}
	tasks := facetdv1.NewTaskServiceClient(r.conn)
	bomb := &facetdv1.GetTaskRequest{Name: strings.Repeat("a", 2*MaxReceiveBytes)} // about 2 KiB when it is packed
	if _, err := tasks.GetTask(limited(t), bomb, grpc.UseCompressor(gzip.Name)); grpcstatus.Code(err) !=
		codes.ResourceExhausted {
		t.Errorf("a request that unpacks to more than the limit: %.200v", err)
	}
}

// TestPackedWebCalls: over HTTP, too, a client may compress what it sends, and the limit of a request is of what it
// unpacks to: a few kilobytes take no hundreds of megabytes, on whichever way they come.
func TestPackedWebCalls(t *testing.T) {
	r := start(t)
	s := web(t, r)
	small := packed(t, []byte(`{}`))
	bomb := packed(t, append([]byte(`{"name":"`), bytes.Repeat([]byte("a"), 64<<20)...))
	envelope := func(data []byte) []byte {
		return append(binary.BigEndian.AppendUint32([]byte{1}, uint32(len(data))), data...)
	}
	for _, c := range []struct {
		what, method, kind string
		body               []byte
		header             []string
		ok                 bool
	}{
		{"a small call", "StatusService/GetStatus", "application/json", small, []string{"Content-Encoding", "gzip"},
			true},
		{"a bomb", "TaskService/GetTask", "application/json", bomb, []string{"Content-Encoding", "gzip"}, false},
		{"a bomb in a stream", "FrameService/StreamFrames", "application/connect+json", envelope(bomb),
			[]string{"Connect-Content-Encoding", "gzip"}, false},
		{"a bomb of gRPC-Web", "TaskService/GetTask", "application/grpc-web+proto", envelope(bomb),
			[]string{"Grpc-Encoding", "gzip"}, false},
		{"no gzip", "TaskService/GetTask", "application/json", []byte(`{}`), []string{"Content-Encoding", "gzip"},
			false},
		{"a small one of gRPC-Web", "StatusService/GetStatus", "application/grpc-web+json", envelope(small),
			[]string{"Grpc-Encoding", "gzip"}, true},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		resp := post(t, s, c.method, c.kind, c.body, c.header...)
		body, err := io.ReadAll(resp.Body)
		runtime.ReadMemStats(&after)
		if took := (after.TotalAlloc - before.TotalAlloc) >> 20; took > 16 {
			t.Errorf("%s of %d bytes took %d MiB", c.what, len(c.body), took)
		}
		status := strings.Contains(string(body), "STATE_RUNNING")
		if err != nil || status != c.ok || !c.ok && resp.StatusCode/100 != 4 {
			t.Errorf("%s: %d %.300s, %v", c.what, resp.StatusCode, body, err)
		}
	}
}

// packed are data compressed by gzip.
func packed(t *testing.T, data []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := stdgzip.NewWriter(&out)
	_, err := z.Write(data)
	if err = errors.Join(err, z.Close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}
