package api

import (
	"context"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/resample"
	"facetd.example/daemon/stream"
)

const (
	// MaxWait is how long WaitFrameSets may wait.
	MaxWait     = 30 * time.Second
	defaultWait = time.Second
)

// WaitFrameSets keeps nothing of its caller: what it has is in the request.
func (v *frameService) WaitFrameSets(ctx context.Context,
	r *facetdv1.WaitFrameSetsRequest) (*facetdv1.WaitFrameSetsResponse, error) {
	var m invalid.Errors
	var o stream.Options
	v.selection(&m, "selection.", r.GetSelection(), &o)
	wait := within(&m, "wait", r.GetWait(), 0, MaxWait, defaultWait)
	if len(m) > 0 {
		return nil, m
	}
	choose, snap := chooser{v.s, r.GetSelection()}, v.s.cfg.Dispatch.Snapshot()
	at, err := v.s.placesOf("newer_than", r.GetInstanceId(), r.GetNewerThan(), snap.Tasks)
	if err == nil {
		err = v.runs(r.GetSelection().GetTasks())
	}
	if err == nil && snap.State == facetdv1.State_STATE_RUNNING {
		err = choose.barren("selection.", snap.Tasks)
	}
	if err != nil {
		return nil, err
	}
	newer := func(fs *facetdv1.FrameSet) bool {
		had := at.of(fs.GetTask(), fs.GetTaskGeneration())
		return had == nil || fs.GetJob() > had.GetJob()
	}
	over := time.NewTimer(wait)
	defer over.Stop()
	for waiting := true; ; {
		sets, came, err := v.s.cfg.Hub.Newest(o, newer)
		if err != nil {
			return nil, err
		}
		if len(sets) > 0 || !waiting {
			return v.waited(choose, at, sets), nil
		}
		select {
		case <-came:
		case <-over.C:
			waiting = false
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

func (v *frameService) waited(choose chooser, at places, sets []*facetdv1.FrameSet) *facetdv1.WaitFrameSetsResponse {
	snap := v.s.cfg.Dispatch.Snapshot()
	beat := choose.heartbeat(&snap)
	out := &facetdv1.WaitFrameSetsResponse{Identity: v.s.Identity(), BusNs: beat.GetBusNs(), State: beat.GetState(),
		Tasks: beat.GetTasks()}
	for _, fs := range sets {
		d := &facetdv1.FrameSetDelivery{FrameSet: fs}
		if had := at.of(fs.GetTask(), fs.GetTaskGeneration()); had != nil {
			d.LeftOut = fs.GetJob() - had.GetJob() - 1
			d.Dropped, d.DroppedTotal = d.LeftOut, d.LeftOut
		}
		if choose.selection.GetCodes() == facetdv1.Codes_CODES_CORRECTED_SQUARE {
			d.FrameSet = resample.Square(fs)
		}
		out.Deliveries = append(out.Deliveries, d)
	}
	return out
}
