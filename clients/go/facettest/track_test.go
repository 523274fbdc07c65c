package facettest_test

import (
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// tracked is a chip that looks forward, and one beside it. Invented.
const tracked = `
name: tracked
select_lines: [x, y]
timing: {dead_time: 200ns, select_setup: 300ns, write: 1us, strobe: 500ns, release_limit: 20us}
lanes:
  - name: a
    line_capacitance_pf: 10
    chip_capacitance_pf: 2
    converter: {bits: 12, low_volts: 0.5, high_volts: 2.5, conversion: 1us, sample_and_hold: true}
classes:
  - name: plain
    lattice: {rows: 32, columns: 32, pitch_x_um: 20}
    logarithmic: {offset_volts: 1.2, volts_per_decade: 0.2, dark_lux: 0.01, offset_spread_volts: 0.005}
    readout: {step: 250ns, row_step: 250ns, output_resistance_ohms: 20000}
    counter: {reset: 2us}
chips:
  - {name: eye, class: plain, selects: [x], lane: a, mount: {}, lens: {horizontal_fov_deg: 40, vertical_fov_deg: 40}}
  - {name: side, class: plain, selects: [y], lane: a, mount: {}, lens: {horizontal_fov_deg: 40, vertical_fov_deg: 40}}
`

const trackedTasks = `
tasks:
  - name: track
    target: {list: {names: [eye]}}
    rate_hz: 50
    views: [{name: spot, window: {row: 12, column: 12, rows: 8, columns: 8},
      movable: {row: {high: 24}, column: {high: 24}}}]
  - {name: side, target: {list: {names: [side]}}, rate_hz: 70}
`

// spotAhead is the file of a picture all around of which a disc of 6 degrees straight ahead is bright.
func spotAhead(t *testing.T) string {
	t.Helper()
	picture := image.NewGray(image.Rect(0, 0, 720, 360))
	for y := range 360 {
		for x := range 720 {
			if math.Hypot(float64(x)+0.5-360, float64(y)+0.5-180) < 6 {
				picture.SetGray(x, y, color.Gray{Y: 255})
			}
		}
	}
	name := filepath.Join(t.TempDir(), "spot.png")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := png.Encode(f, picture); err != nil {
		t.Fatal(err)
	}
	return name
}

// spot is where the middle of what is bright in a window is, in rows and columns of the chip, and of how many pixels.
func spot(f *facet.Frame) (row, column float64, n int) {
	w := f.Message.GetWindow()
	for r := range f.Rows() {
		for c := range f.Columns() {
			// Between 1.2 V + 0.2 V x log10 of 1 lux and of 1000 lux.
			if f.Volts(f.At(r, c)) > 1.5 {
				row, column, n = row+float64(r), column+float64(c), n+1
			}
		}
	}
	return float64(w.GetRow()) + row/float64(n), float64(w.GetColumn()) + column/float64(n), n
}

// TestAWindowFollowsASpotInLockstep: a client sees each frame set of a task of 50 Hz, and moves the window of the next
// job to where the spot will be, as the array turns under it. No job is late, of it or of another task, and none is
// left out.
func TestAWindowFollowsASpotInLockstep(t *testing.T) {
	const step, jobs = 20 * time.Millisecond, 150
	a := facettest.New(t, facettest.Config{Array: facettest.YAML(tracked), Tasks: facettest.YAML(trackedTasks),
		Scene: "panorama:" + spotAhead(t) + ",low=1,high=1000", Listen: "127.0.0.1:0"})
	c, err := facet.Connect(a.Address(), facet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	sets, err := c.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"track"}})
	if err != nil {
		t.Fatal(err)
	}
	defer sets.Close()
	me, err := c.JoinLockstep(t.Context(), "tracker")
	if err != nil {
		t.Fatal(err)
	}
	window := [2]uint32{12, 12}
	var last [2]float64
	moved, lowest, highest := 0, math.Inf(1), math.Inf(-1)
	for job := uint64(0); job < jobs; {
		// It looks around in circles, as wide as 12 degrees: 1.5 degrees from job to job, 1.2 pixels.
		wide, phase := 12*min(1, me.Now.Seconds()), 2*math.Pi*me.Now.Seconds()
		pose := &facetdv1.Pose{YawDeg: wide * math.Cos(phase), PitchDeg: wide * math.Sin(phase)}
		if _, err := c.SetPose(t.Context(), pose, nil, me.Now); err != nil {
			t.Fatal(err)
		}
		if err := me.Advance(t.Context(), me.Now+step); err != nil {
			t.Fatal(err)
		}
		if me.Ended("track") == job {
			continue
		}
		set, err := sets.Next()
		if err != nil {
			t.Fatal(err)
		}
		f := set.Frames()[0]
		w := f.Message.GetWindow()
		row, column, n := spot(&f)
		if set.Job() != job || set.Late() || set.Failure() != "" || w.GetRow() != window[0] ||
			w.GetColumn() != window[1] {
			t.Fatalf("job %d, late %v, %q, at %v; want job %d at %v", set.Job(), set.Late(), set.Failure(), w, job,
				window)
		}
		if off := math.Hypot(row-float64(w.GetRow())-3.5, column-float64(w.GetColumn())-3.5); n < 8 || off > 2 {
			t.Fatalf("job %d: %d pixels of the spot, %.1f pixels off the middle of %v", job, n, off, w)
		}
		if lowest, highest = min(lowest, column), max(highest, column); job == 0 {
			last = [2]float64{row, column}
		}
		// Where it will be, as it goes on.
		next := [2]uint32{uint32(math.Round(2*row - last[0] - 3.5)), uint32(math.Round(2*column - last[1] - 3.5))}
		if next != window {
			moved++
		}
		window, last = next, [2]float64{row, column}
		from, err := c.SetTaskParameters(t.Context(), "track", &facetdv1.ViewParameters{View: "spot",
			Row: proto.Uint32(next[0]), Column: proto.Uint32(next[1])})
		if job++; err != nil || from != job {
			t.Fatalf("set from job %d on, want %d: %v", from, job, err)
		}
	}
	if moved < jobs*2/3 || highest-lowest < 15 {
		t.Errorf("the window moved %d times, the spot by %.1f pixels", moved, highest-lowest)
	}
	tasks, err := c.Tasks(t.Context())
	if err != nil || len(tasks) != 2 {
		t.Fatalf("%v, %v", tasks, err)
	}
	for _, task := range tasks {
		s := task.GetStatus()
		if s.GetJobsLate() != 0 || s.GetJobsFailed() != 0 || s.GetJobsOnTime() < jobs {
			t.Errorf("%s: %v", task.GetTask().GetName(), s)
		}
	}
}
