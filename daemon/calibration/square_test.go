package calibration_test

import (
	"slices"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
)

// TestSquareFrames: corrected frames of the hexagonal chip of the demo come on a square
// lattice to those who ask for that, captured and streamed; without a correction map they
// stay as they are and say so.
func TestSquareFrames(t *testing.T) {
	d := start(t, nil)
	capture := func() *facetdv1.Frame {
		r := must[*facetdv1.CaptureFramesResponse](t)(d.frames.CaptureFrames(limited(t), &facetdv1.CaptureFramesRequest{
			Target: list("bow-comb"), Codes: facetdv1.Codes_CODES_CORRECTED_SQUARE,
		}))
		return r.GetFrameSet().GetFrames()[0]
	}
	f := capture()
	if note := f.GetCorrectionNote(); f.GetArrangement() != facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL ||
		!strings.Contains(note, "not resampled: the frame is not corrected") {
		t.Errorf("without a map: %v, %q", f.GetArrangement(), note)
	}
	d.calibrate(&facetdv1.StartCalibrationRequest{Target: list("bow-comb")}, 4, 100)
	judge := func(how string, f *facetdv1.Frame) {
		t.Helper()
		// 36 rows of sqrt(3)/2 and 32 columns, points 0.9306 apart: 35 sqrt(3)/2 / 0.9306 =
		// 32.6 and (31 - 0.5) / 0.9306 = 32.8 steps.
		if f.GetArrangement() != facetdv1.Arrangement_ARRANGEMENT_SQUARE || f.GetRows() != 33 || f.GetColumns() != 33 ||
			len(f.GetData()) != 2*33*33 || len(f.GetRowOffsetNs()) != 33 {
			t.Errorf("%s: %v of %d x %d, %d bytes; %q", how, f.GetArrangement(), f.GetRows(), f.GetColumns(),
				len(f.GetData()), f.GetCorrectionNote())
		}
		if !slices.Contains(f.GetCorrections(), facetdv1.Correction_CORRECTION_RESAMPLED) ||
			f.GetWindow().GetRows() != 36 {
			t.Errorf("%s: corrections %v of %v", how, f.GetCorrections(), f.GetWindow())
		}
	}
	judge("captured", capture())

	stream, err := followtest.Open(limited(t), d.conn, &facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{
		Tasks: []string{"comb"}, Codes: facetdv1.Codes_CODES_CORRECTED_SQUARE}})
	if err != nil {
		t.Fatal(err)
	}
	m, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	judge("streamed", m.GetFrameSet().GetFrames()[0])
}
