package motion

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// WatchMotion serves one stream of those who look on.
func (s *Service) WatchMotion(request *facetdv1.WatchMotionRequest,
	out grpc.ServerStreamingServer[facetdv1.WatchMotionResponse]) error {
	w := &watcher{s: s, granted: MaxGranted, sent: map[string]int64{}}
	options, err := w.check(&facetdv1.MotionStart{Tasks: request.GetTasks(), Chips: request.GetChips()})
	m, _ := err.(invalid.Errors)
	for i := range m { // they are fields of the request itself here
		m[i].Path = m[i].Path[len("start."):]
	}
	if d := request.GetLeastInterval(); d != nil {
		w.every = d.AsDuration()
		if d.CheckValid() != nil || w.every < 0 || w.every > maxHeartbeat {
			m.Add("least_interval", fmt.Sprintf("%v is not possible", w.every),
				fmt.Sprintf("use 0s to %v", maxHeartbeat))
		}
	}
	if len(m) > 0 {
		return m
	}
	if err != nil {
		return err
	}
	w.out = &onlooker{out, w}
	return w.serve(options)
}

// due reports whether an estimate is to be sent, by the bus time since the last one of its task; one that is earlier,
// as in a replay that went back, is.
func (w *watcher) due(e *facetdv1.MotionEstimate) bool {
	if w.every == 0 {
		return true
	}
	last, any := w.sent[e.GetTask()]
	if since := e.GetFinishBusNs() - last; any && since >= 0 && time.Duration(since) < w.every {
		return false
	}
	if !any {
		w.forget()
	}
	w.sent[e.GetTask()] = e.GetFinishBusNs()
	return true
}

// forget drops the tasks that are gone: only when another one comes can there be more than before.
func (w *watcher) forget() {
	running := w.s.cfg.Tasks()
	for name := range w.sent {
		if !runs(running, name) {
			delete(w.sent, name)
		}
	}
}

// onlooker is a stream without grants: what is sent may be sent again. While the client does not read, sending waits,
// and the newest estimate of each task waits for it.
type onlooker struct {
	grpc.ServerStreamingServer[facetdv1.WatchMotionResponse]
	w *watcher
}

// Send sends an estimate or a sign of life.
func (o *onlooker) Send(m *facetdv1.StreamMotionResponse) error {
	r := &facetdv1.WatchMotionResponse{BusNs: o.w.s.cfg.BusNs()}
	if d := m.GetDelivery(); d != nil {
		r.Estimate = d.GetEstimate()
		o.w.granted++
	}
	return o.ServerStreamingServer.Send(r)
}

// Recv waits for the end: nothing else comes.
func (o *onlooker) Recv() (*facetdv1.StreamMotionRequest, error) {
	<-o.Context().Done()
	return nil, context.Cause(o.Context())
}
