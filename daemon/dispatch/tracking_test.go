package dispatch

import (
	"context"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
)

// spot is a spot of light on dark ground, the same for every chip, that runs on a circle over the pixels.
type spot struct {
	row, column, radius float64 // of the circle, in pixels
	period              time.Duration
}

func (spot) Name() string { return "spot" }

// at is the row and column of its middle.
func (s spot) at(at bustime.Time) (row, column float64) {
	sin, cos := math.Sincos(2 * math.Pi * at.Elapsed().Seconds() / s.period.Seconds())
	return s.row + s.radius*sin, s.column + s.radius*cos
}

func (s spot) Row(dst []float64, _ *scene.View, row int, at bustime.Time) {
	y, x := s.at(at)
	for i := range dst {
		dy, dx := float64(row)-y, float64(i)-x
		dst[i] = 50 + 5000*math.Exp(-(dx*dx+dy*dy)/2)
	}
}

// side is that of the window that follows the spot.
const side = 7

// follower is a client that sets the window of a task where the spot will be in its next job.
type follower struct {
	seen           bool
	row, column    float64 // of the spot, in the last frame
	rowBy, columns float64 // moved since the one before, in pixels a nanosecond
	at             int64   // bus time of its light
	next           map[uint64]*facetdv1.ViewParameters
}

// place takes a frame and returns where the window is to be for light at a bus time.
func (f *follower) place(m *facetdv1.Frame, at int64) *facetdv1.ViewParameters {
	var sum, row, column float64
	for i := range int(m.GetRows() * m.GetColumns()) {
		code := float64(int(m.GetData()[2*i]) | int(m.GetData()[2*i+1])<<8)
		weight := math.Exp(code*m.GetVoltsPerCode()*math.Ln10/0.2) / 1e5 // the light of a logarithmic pixel
		sum += weight
		row += weight * float64(i/side)
		column += weight * float64(i%side)
	}
	row, column = float64(m.GetWindow().GetRow())+row/sum, float64(m.GetWindow().GetColumn())+column/sum
	if since := float64(m.GetLightBusNs() - f.at); f.seen {
		f.rowBy, f.columns = (row-f.row)/since, (column-f.column)/since
	}
	f.seen, f.row, f.column, f.at = true, row, column, m.GetLightBusNs()
	ahead := float64(at - f.at)
	corner := func(middle float64) *uint32 {
		return proto.Uint32(uint32(min(max(math.Round(middle)-side/2, 0), 32-side)))
	}
	return &facetdv1.ViewParameters{Row: corner(row + f.rowBy*ahead), Column: corner(column + f.columns*ahead)}
}

// TestAWindowFollowsASpot: a client moves a window after a spot at 50 Hz, anew for each job, beside two other tasks.
// The spot is never further from the middle of the window than a pixel and a half, every job has the place that was
// set for it, and none of any task is late.
func TestAWindowFollowsASpot(t *testing.T) {
	msg := bustest.Message()
	msg.Classes[4].Lattice.Rows, msg.Classes[4].Lattice.Columns = 32, 32
	msg.Classes[4].Pixel = msg.Classes[3].Pixel
	msg.Classes[4].Lattice.Arrangement = facetdv1.Arrangement_ARRANGEMENT_SQUARE
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	track := &facetdv1.Task{Name: "track", Target: list("h0"), RateHz: 50, Views: []*facetdv1.View{{
		Window:  &facetdv1.Window{Row: 13, Column: 23, Rows: side, Columns: side},
		Movable: &facetdv1.Movable{Row: bounds(0, 32-side), Column: bounds(0, 32-side)}}}}
	light := spot{row: 16, column: 16, radius: 10, period: time.Second}
	synctest.Test(t, func(t *testing.T) {
		f := follower{next: map[uint64]*facetdv1.ViewParameters{}}
		r := lit(t, a, light, 6*time.Second, func(ctx context.Context, r *rig) { followSpot(ctx, t, r, &f) }, track,
			memTask(100), countTask(70))
		moved := 0
		var last *facetdv1.Window
		for _, fs := range r.watch.of("track") {
			m := fs.GetFrames()[0]
			w := m.GetWindow()
			if p := f.next[fs.GetJob()]; p == nil && fs.GetJob() > 1 ||
				p != nil && (w.GetRow() != p.GetRow() || w.GetColumn() != p.GetColumn()) {
				t.Fatalf("job %d was read at %v, set was %v", fs.GetJob(), w, p)
			}
			y, x := light.at(bus.Time(m.GetLightBusNs()))
			off := math.Hypot(y-float64(w.GetRow())-side/2, x-float64(w.GetColumn())-side/2)
			if fs.GetJob() > 3 && off > 1.5 {
				t.Fatalf("job %d: the spot is at (%.1f, %.1f), the window at %v", fs.GetJob(), y, x, w)
			}
			if !proto.Equal(w, last) {
				moved++
			}
			last = w
		}
		if n := len(r.watch.of("track")); n < 295 || moved < n*9/10 {
			t.Errorf("the window moved %d times in %d jobs", moved, n)
		}
	})
}

// followSpot has a follower follow until its context ends.
func followSpot(ctx context.Context, t *testing.T, r *rig, f *follower) {
	for seen := 0; ctx.Err() == nil; time.Sleep(500 * time.Microsecond) {
		sets := r.watch.of("track")
		if len(sets) == seen {
			continue
		}
		seen = len(sets)
		m := sets[seen-1].GetFrames()[0]
		p := f.place(m, m.GetLightBusNs()+int64(20*time.Millisecond))
		got, err := r.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "track",
			Views: []*facetdv1.ViewParameters{p}})
		if err != nil {
			t.Error(err)
			return
		}
		if want := sets[seen-1].GetJob() + 1; got.GetFirstJob() != want {
			t.Errorf("what was set after job %d is told to begin with %d", want-1, got.GetFirstJob())
		}
		f.next[got.GetFirstJob()] = p
	}
}
