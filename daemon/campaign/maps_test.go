package campaign

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/daemon/calibration"
	"facetd.example/daemon/dispatch"
)

// randomCalibrations say when correction maps of a chip are made, one after another, each in the place of the one
// before: in few seeds without a fault of their disk, and otherwise before it and after it began.
func randomCalibrations(r *rand.Rand, s *scenario) (chip string, at []time.Duration) {
	i := slices.IndexFunc(s.faults, func(f fault) bool { return f.kind == mapsFull || f.kind == mapsSync })
	switch {
	case i >= 0:
		begun := s.faults[i].at.Elapsed()
		at = []time.Duration{begun/2 | 1, begun | 1, begun + (s.safety-begun)/3 | 1}
	case r.IntN(12) == 0:
		at = instants(r, 1+r.IntN(2), s.safety)
	default:
		return "", nil
	}
	return s.array.Chips[r.IntN(len(s.array.Chips))].Name, at
}

// calibratedViews are those of which correction maps are made: of one chip, as captures of several are asked for at one
// instant, where nothing fixes their order.
func calibratedViews() []*facetdv1.View {
	return []*facetdv1.View{{Name: "whole"}, {Name: "corner", Window: &facetdv1.Window{Rows: 1, Columns: 1}}}
}

// made is what became of a calibration whose levels were gathered.
type made struct {
	answer *facetdv1.FinishCalibrationResponse
	err    error
	struck int // faults of the disk that took effect meanwhile
	// What is active afterwards, and what a daemon that starts now would find.
	active, found []*facetdv1.CorrectionMap
	wrong         string
}

// openMaps opens the folder of correction maps.
func (l *life) openMaps() (err error) {
	l.maps, err = calibration.New(calibration.Config{Array: l.s.array, Dir: filepath.Join(l.dir, "maps"),
		Capture: l.steady, Events: l.journal.Sink(),
		Tasks: func() []*facetdv1.RunningTask { return l.disp.Snapshot().Tasks },
		Disk:  func(f fileio.File) fileio.File { return mapFile{f, l.disk} }})
	return err
}

// steady reads chips on the bus. What they show is replaced: the light of a run is not uniform, and it has no second
// to see that pixels have come to rest.
func (l *life) steady(ctx context.Context, r *facetdv1.CaptureFramesRequest) (dispatch.Done, error) {
	time.Sleep(breath)
	done, err := l.disp.Capture(ctx, r)
	if err != nil {
		return done, err
	}
	n := l.captured.Add(1)
	done.FrameSet = proto.CloneOf(done.FrameSet)
	for _, f := range done.FrameSet.GetFrames() {
		f.LightBusNs = n * int64(400*time.Millisecond)
		for i := 0; i < len(f.GetData()); i += 2 {
			binary.LittleEndian.PutUint16(f.Data[i:], uint16(200+i%32+int(n)%2))
		}
	}
	return done, nil
}

// calibrate makes correction maps, one after another.
func (l *life) calibrate() {
	for _, at := range l.s.calibrations {
		if !l.wait(at - time.Since(l.born)) {
			return
		}
		session, err := l.gather()
		if err != nil {
			continue // the bus has faults, or callers leave
		}
		before := l.disk.strikes(mapsFull, mapsSync)
		m := &made{}
		m.answer, m.err = l.maps.FinishCalibration(context.Background(), &facetdv1.FinishCalibrationRequest{
			Session: session, Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET})
		m.struck = l.disk.strikes(mapsFull, mapsSync) - before
		m.active, m.found, m.wrong = l.lookAtMaps()
		l.mu.Lock()
		l.made = append(l.made, m)
		l.mu.Unlock()
		if m.err != nil { // its session stays open
			_, _ = l.maps.AbortCalibration(context.Background(), &facetdv1.AbortCalibrationRequest{Session: session})
		}
	}
}

// gather opens a session with one level.
func (l *life) gather() (string, error) {
	got, err := l.maps.StartCalibration(l.ctx, &facetdv1.StartCalibrationRequest{Target: list(l.s.calibrated),
		Views: calibratedViews()})
	if err != nil {
		return "", err
	}
	session := got.GetSession().GetId()
	err = l.maps.CollectLevel(&facetdv1.CollectLevelRequest{Session: session, Frames: 2,
		Light: &facetdv1.CollectLevelRequest_Lux{Lux: 100}}, unheard{ctx: l.ctx})
	if err != nil {
		_, _ = l.maps.AbortCalibration(context.Background(), &facetdv1.AbortCalibrationRequest{Session: session})
	}
	return session, err
}

// unheard is a stream of which nobody reads the progress.
type unheard struct {
	grpc.ServerStreamingServer[facetdv1.CollectLevelResponse]
	ctx context.Context
}

func (u unheard) Context() context.Context { return u.ctx }

func (unheard) Send(*facetdv1.CollectLevelResponse) error { return nil }

// lookAtMaps returns what is active, and what a daemon that starts now finds in the folder.
func (l *life) lookAtMaps() (active, found []*facetdv1.CorrectionMap, wrong string) {
	dir := filepath.Join(l.dir, "maps")
	if left, err := filepath.Glob(filepath.Join(dir, fileio.TempPrefix+"*")); err != nil || len(left) > 0 {
		return nil, nil, fmt.Sprintf("%d files are left half-written: %v", len(left), err)
	}
	now, err := l.maps.ListCorrectionMaps(context.Background(), &facetdv1.ListCorrectionMapsRequest{})
	if err != nil {
		return nil, nil, err.Error()
	}
	other, err := calibration.New(calibration.Config{Array: l.s.array, Dir: dir, Capture: l.steady,
		Tasks: func() []*facetdv1.RunningTask { return nil }})
	if err != nil {
		return nil, nil, err.Error()
	}
	later, err := other.ListCorrectionMaps(context.Background(), &facetdv1.ListCorrectionMapsRequest{})
	if err != nil {
		return nil, nil, err.Error()
	}
	if n := len(later.GetRefused()); n > 0 {
		return nil, nil, fmt.Sprintf("%d files are damaged: %v", n, later.GetRefused())
	}
	return now.GetCorrectionMaps(), later.GetCorrectionMaps(), ""
}

// judgeMaps: a correction map that was said to be made is active and in the folder, whole; where the disk refused, the
// one before it still is, whoever asked was told, and an event tells it.
func (o *outcome) judgeMaps(l *life) {
	ids := func(maps []*facetdv1.CorrectionMap) (out []string) {
		for _, m := range maps {
			out = append(out, m.GetId())
		}
		return out
	}
	failures := 0
	for i, m := range l.made {
		failed := len(m.answer.GetFailures())
		if m.err != nil {
			failed = len(calibratedViews()) // none could be made
		}
		failures += failed
		active := ids(m.active)
		missing := slices.ContainsFunc(ids(m.answer.GetCorrectionMaps()), func(id string) bool {
			return !slices.Contains(active, id)
		})
		switch {
		case m.wrong != "":
			o.problem("correction maps: %s", m.wrong)
		case !slices.Equal(active, ids(m.found)):
			o.problem("correction maps %v are active, the folder holds %v", active, ids(m.found))
		case missing || len(m.answer.GetCorrectionMaps())+failed != len(calibratedViews()):
			o.problem("calibration %d made %v and says that %d failed; active are %v", i,
				ids(m.answer.GetCorrectionMaps()), failed, active)
		case m.struck > failed || m.struck == 0 && failed > 0:
			o.problem("the disk refused %d correction maps, %d are said to have failed: %v", m.struck, failed, m.err)
		}
	}
	for _, e := range l.events {
		if e.GetKind() == facetdv1.EventKind_EVENT_KIND_CALIBRATION &&
			e.GetSeverity() == facetdv1.Severity_SEVERITY_WARNING {
			failures--
		}
	}
	if failures != 0 {
		o.problem("correction maps: the events lack %d that failed", failures)
	}
}

// countMaps counts what became of correction maps.
func (o *outcome) countMaps(l *life) {
	for _, m := range l.made {
		o.tally.paths[pathMapped] += len(m.answer.GetCorrectionMaps())
		if m.struck > 0 {
			o.tally.paths[pathUnmapped]++
		}
	}
}
