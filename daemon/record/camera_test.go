package record

import (
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"facetd.example/api/peertest"

	"github.com/foxglove/mcap/go/mcap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// viewed is a calibration as a viewer reads it.
type viewed struct {
	protoreflect.Message
}

func (v viewed) get(name string) protoreflect.Value {
	return v.Get(v.Descriptor().Fields().ByName(protoreflect.Name(name)))
}

func (v viewed) numbers(name string) (out []float64) {
	list := v.get(name).List()
	for i := range list.Len() {
		out = append(out, list.Get(i).Float())
	}
	return out
}

// project puts a point (x right, y down, z ahead) on the image, by the models of OpenCV: plumb_bob of its module
// calib3d, kannala_brandt of its fisheye module (from their documentation).
func (v viewed) project(x, y, z float64) (column, row float64) {
	d, k := v.numbers("D"), v.numbers("K")
	a, b := x/z, y/z
	r := math.Hypot(a, b)
	switch v.get("distortion_model").String() {
	case "plumb_bob":
		r2 := r * r
		radial := 1 + d[0]*r2 + d[1]*r2*r2 + d[4]*r2*r2*r2
		a, b = a*radial+2*d[2]*a*b+d[3]*(r2+2*a*a), b*radial+d[2]*(r2+2*b*b)+2*d[3]*a*b
	case "kannala_brandt":
		t := math.Atan(r)
		t2 := t * t
		bent := t * (1 + d[0]*t2 + d[1]*t2*t2 + d[2]*t2*t2*t2 + d[3]*t2*t2*t2*t2)
		if r > 0 {
			a, b = a*bent/r, b*bent/r
		}
	}
	return k[0]*a + k[1]*b + k[2], k[4]*b + k[5]
}

// rayTo is where a place on the chip looks, by what the schema says of ChipGeometry: x right, y down, z ahead.
func rayTo(g *facetdv1.ChipGeometry, row, column float64) (x, y, z float64) {
	a, b := (column-g.GetAxisColumn())/g.GetFocalColumns(), (row-g.GetAxisRow())/g.GetFocalRows()
	d := math.Hypot(a, b)
	r := d
	for range 50 { // d = r (1 + k1 r^2)
		r -= (r*(1+g.GetDistortionK1()*r*r) - d) / (1 + 3*g.GetDistortionK1()*r*r)
	}
	angle := math.Atan(r)
	switch g.GetProjection() {
	case facetdv1.Projection_PROJECTION_EQUIDISTANT:
		angle = r
	case facetdv1.Projection_PROJECTION_STEREOGRAPHIC:
		angle = 2 * math.Atan(r/2)
	}
	if d == 0 {
		return 0, 0, 1
	}
	return math.Sin(angle) * a / d, math.Sin(angle) * b / d, math.Cos(angle)
}

// TestViewersSeeWhatTheGeometrySays: by the calibration that a viewer reads, the light of every pixel of any window and
// binning falls on its place in the image.
func TestViewersSeeWhatTheGeometrySays(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	md, err := cameraDescriptor()
	if err != nil {
		t.Fatal(err)
	}
	within := map[facetdv1.Projection]float64{facetdv1.Projection_PROJECTION_RECTILINEAR: 1e-6,
		facetdv1.Projection_PROJECTION_EQUIDISTANT: 1e-6, facetdv1.Projection_PROJECTION_STEREOGRAPHIC: 0.05}
	for n := range 300 {
		g := &facetdv1.ChipGeometry{Chip: "c", Rows: 64, Columns: 48,
			Projection:   facetdv1.Projection(1 + n%3),
			FocalColumns: 30 + 50*rng.Float64(), FocalRows: 30 + 50*rng.Float64(),
			AxisColumn: 20 + 8*rng.Float64(), AxisRow: 28 + 8*rng.Float64(), DistortionK1: 0.1 * (rng.Float64() - 0.5)}
		block, blocks := uint32(1)<<rng.IntN(4), uint32(1)<<rng.IntN(4)
		w := &facetdv1.Window{Row: rng.Uint32N(32), Column: rng.Uint32N(24), RowStep: block * (1 + rng.Uint32N(2)),
			ColumnStep: blocks * (1 + rng.Uint32N(2))}
		w.Rows, w.Columns = (63-w.Row)/w.RowStep+1, (47-w.Column)/w.ColumnStep+1
		f := &facetdv1.Frame{Chip: "c", Rows: w.Rows, Columns: w.Columns, Window: w}
		data, err := cameraOf(g, f, &facetdv1.Binning{Rows: block, Columns: blocks}).append(nil, f)
		if err != nil {
			t.Fatal(err)
		}
		m := dynamicpb.NewMessage(md)
		if err := proto.Unmarshal(data, m); err != nil || len(m.GetUnknown()) > 0 {
			t.Fatal(err)
		}
		seen := viewed{m}
		if seen.get("width").Uint() != uint64(w.Columns) || seen.get("height").Uint() != uint64(w.Rows) ||
			seen.get("frame_id").String() != "c" || len(seen.numbers("P")) != 12 || len(seen.numbers("R")) != 9 {
			t.Fatal(m)
		}
		for range 5 {
			r, c := rng.Uint32N(w.Rows), rng.Uint32N(w.Columns)
			// The block of which this pixel is one.
			first := [2]uint32{(w.Row + r*w.RowStep) / block * block, (w.Column + c*w.ColumnStep) / blocks * blocks}
			row, column := float64(first[0])+float64(block-1)/2, float64(first[1])+float64(blocks-1)/2
			x, y := seen.project(rayTo(g, row, column))
			if off := math.Hypot(x-float64(c), y-float64(r)); off > within[g.GetProjection()] {
				t.Fatalf("%v of %v: pixel %d, %d is seen at %g, %g", w, g, r, c, y, x)
			}
		}
	}
}

// TestCamerasOfARecording: every image topic has its calibration before its first image, and again where its window
// has moved, where its pixels stand for other blocks of the chip's, and in the next file.
func TestCamerasOfARecording(t *testing.T) {
	m, _, dir := manager(t, nil)
	chip := m.cfg.Array.Chips[0].Name
	frames := func(column uint32) *facetdv1.FrameSet {
		return &facetdv1.FrameSet{Task: "look", FinishBusNs: int64(column),
			Frames: []*facetdv1.Frame{{Chip: chip, View: "v",
				PixelFormat: "Mono16", Rows: 1, Columns: 2, Data: make([]byte, 4),
				Window: &facetdv1.Window{Column: column, Rows: 1, Columns: 2, RowStep: 1, ColumnStep: 1}}}}
	}
	if _, err := m.Start("drive", &facetdv1.RecordingOptions{Images: true}); err != nil {
		t.Fatal(err)
	}
	for _, column := range []uint32{3, 3, 7, 7, 3, 4} {
		m.JobEnded(frames(column))
	}
	binned := plan("look")
	binned.Tasks[0].Views = []*facetdv1.View{{Name: "v", Binning: &facetdv1.Binning{Columns: 2}}}
	m.PlanChanged(binned, 5, 5)
	m.JobEnded(frames(4))
	if _, err := m.Stop(t.Context(), "drive"); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(filepath.Join(dir, "drive-001.mcap"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := mcap.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	it, err := r.Messages(mcap.InOrder(mcap.FileOrder))
	if err != nil {
		t.Fatal(err)
	}
	var order string
	var centres []float64
	transformed := 0
	for {
		schema, ch, msg, err := it.NextInto(nil)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch ch.Topic {
		case "/facetd/transforms":
			transformed++
			checkTransforms(t, viewed{decodeByFile(t, schema, msg.Data)}, m.cfg.Array.Geometry())
		case "/facetd/images/look/" + chip + "/v":
			order += "i"
		case "/facetd/cameras/look/" + chip + "/v":
			order += "c"
			seen := viewed{decodeByFile(t, schema, msg.Data)}
			if schema.Name != "foxglove.CameraCalibration" || seen.get("frame_id").String() != chip {
				t.Error(schema.Name, seen)
			}
			centres = append(centres, seen.numbers("K")[2])
		}
	}
	if transformed != 1 {
		t.Errorf("%d messages of transforms, want 1", transformed)
	}
	if order != "ciiciicicici" || len(centres) != 5 || centres[0]-centres[1] != 4 || centres[0] != centres[2] ||
		centres[3]-centres[4] != 0.5 {
		t.Errorf("%s, %v", order, centres)
	}
}

// checkTransforms: by the rotation of a transform what lies on the axis of a chip lies ahead of its mount, what
// lies to the right in its images to the right of that, and what lies below, below.
func checkTransforms(t *testing.T, seen viewed, g *facetdv1.Geometry) {
	t.Helper()
	list := seen.get("transforms").List()
	if list.Len() != len(g.GetChips()) {
		t.Fatalf("%d transforms of %d chips", list.Len(), len(g.GetChips()))
	}
	for i, c := range g.GetChips() {
		m := viewed{list.Get(i).Message()}
		q, p := viewed{m.get("rotation").Message()}, viewed{m.get("translation").Message()}
		if m.get("parent_frame_id").String() != "body" || m.get("child_frame_id").String() != c.GetChip() ||
			p.get("x").Float() != c.GetXM() || p.get("y").Float() != c.GetYM() || p.get("z").Float() != c.GetZM() {
			t.Errorf("%v", m)
		}
		x, y, z, w := q.get("x").Float(), q.get("y").Float(), q.get("z").Float(), q.get("w").Float()
		// The columns of the matrix of a quaternion are the axes of the frame.
		axes := [3][3]float64{{1 - 2*(y*y+z*z), 2 * (x*y + z*w), 2 * (x*z - y*w)},
			{2 * (x*y - z*w), 1 - 2*(x*x+z*z), 2 * (y*z + x*w)},
			{2 * (x*z + y*w), 2 * (y*z - x*w), 1 - 2*(x*x+y*y)}}
		r := c.GetRotation()
		for k := range 3 { // right is minus left, below minus above
			if math.Abs(axes[0][k]+r[3*k+1]) > 1e-12 || math.Abs(axes[1][k]+r[3*k+2]) > 1e-12 ||
				math.Abs(axes[2][k]-r[3*k]) > 1e-12 {
				t.Fatalf("%s: axes %v, want those of %v", c.GetChip(), axes, r)
			}
		}
	}
}
