package main

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

var fakeMade = timestamppb.New(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC))

func fakeMap(withData bool) *facetdv1.CorrectionMap {
	m := &facetdv1.CorrectionMap{
		Id: "h0-0a1b2c3d4e5f", ChecksumSha256: "0a1b2c3d4e5f" + strings.Repeat("0", 52),
		State: facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_STALE,
		Chip:  "h0", View: "view-1", Rows: 2, Columns: 3, Arrangement: facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL,
		Settings: &facetdv1.ViewSettings{Window: &facetdv1.Window{Rows: 2, Columns: 3, RowStep: 2, ColumnStep: 1}},
		Method:   facetdv1.CalibrationMethod_CALIBRATION_METHOD_LOG_RESPONSE, CreateTime: fakeMade,
		Age: durationpb.New(40 * 24 * time.Hour),
		Levels: []*facetdv1.CorrectionMapLevel{
			{Lux: new(0.0), Frames: 16, MeanCodes: 500.25, NoiseCodes: 2.4, BeforeCodes: 20, AfterCodes: 1.25,
				FloorCodes:  0.6,
				BeforeVolts: 0.01, AfterVolts: 0.000625},
			{Lux: new(100.0), Frames: 16, MeanCodes: 2500, NoiseCodes: 2.4, BeforeCodes: 24, FloorCodes: 0.6,
				BeforeVolts: 0.012},
		},
		MeanResponse: &facetdv1.MeanResponse{OffsetCodes: 1500, SlopeCodes: 240, DarkLux: 0.015}, VoltsPerCode: 0.0005,
		CodesPerDecade: new(552.6),
		DieKelvin:      new(298.0), Defects: []*facetdv1.DefectCount{{Kind: facetdv1.DefectKind_DEFECT_KIND_STUCK_HIGH,
			Pixels: 1}},
		DefectivePixels: 1, DarkResolved: true,
		Array: "bench", ArrayDigest: "c0ffee", ChipClass: "hex", ClassDigest: "beef", Note: "sphere <1>",
		File: "h0-0011223344556677.map",
	}
	if withData {
		m.Data = &facetdv1.CorrectionMapData{
			Offset: []float32{1490, 1500, 1510, 1495, 1505, 1500}, Gain: []float32{240, 241, 239, 240, 240, 240},
			Dark: []float32{0.015, 0.015, 0.015, 0.015, 0.015, 0.015},
			Defects: []*facetdv1.PixelDefect{{Row: 1, Column: 2,
				Kinds: []facetdv1.DefectKind{facetdv1.DefectKind_DEFECT_KIND_STUCK_HIGH}}},
		}
	}
	return m
}

func fakeLevel(lux float64) *facetdv1.CollectedLevel {
	return &facetdv1.CollectedLevel{Lux: lux, Frames: 16, Chips: []*facetdv1.ChipLevel{
		{Chip: "h0", View: "view-1", Frames: 16, MeanCodes: 500.25, NoiseCodes: 2.4, PatternCodes: 20, WanderCodes: 1.5,
			ClippedHigh: 0.01, Cautions: []string{"the means of frames wander by 1.5 codes: a lamp on mains flickers"}},
	}}
}

func (f *fake) StartCalibration(_ context.Context,
	r *facetdv1.StartCalibrationRequest) (*facetdv1.StartCalibrationResponse, error) {
	f.note(r)
	return &facetdv1.StartCalibrationResponse{Session: &facetdv1.CalibrationSession{Id: "k3x9", Chips: []string{"h0"},
		Views: r.GetViews(), CreateTime: fakeMade, ExpireTime: fakeMade}}, nil
}

func (f *fake) CollectLevel(r *facetdv1.CollectLevelRequest,
	out grpc.ServerStreamingServer[facetdv1.CollectLevelResponse]) error {
	f.note(r)
	if r.GetSession() != "k3x9" {
		return status.Error(codes.NotFound, `there is no open calibration called "`+r.GetSession()+`"`)
	}
	if f.whenCollected != nil {
		f.mu.Lock()
		f.around = f.whenCollected
		f.mu.Unlock()
	}
	return errors.Join(
		out.Send(&facetdv1.CollectLevelResponse{State: facetdv1.IlluminationState_ILLUMINATION_STATE_SETTLING,
			FramesTotal: 16}),
		out.Send(&facetdv1.CollectLevelResponse{State: facetdv1.IlluminationState_ILLUMINATION_STATE_COLLECTING,
			FramesDone: 7, FramesTotal: 16, Chip: "h0"}),
		out.Send(&facetdv1.CollectLevelResponse{State: facetdv1.IlluminationState_ILLUMINATION_STATE_DONE,
			FramesDone: 16, FramesTotal: 16, Level: fakeLevel(r.GetLux())}),
	)
}

func (f *fake) FinishCalibration(_ context.Context,
	r *facetdv1.FinishCalibrationRequest) (*facetdv1.FinishCalibrationResponse, error) {
	f.note(r)
	return &facetdv1.FinishCalibrationResponse{
		CorrectionMaps: []*facetdv1.CorrectionMap{fakeMap(false)},
		Failures: []*facetdv1.CorrectionMapFailure{{Chip: "m0", View: "view-1",
			Reason: "every pixel counts as defective"}},
		PhotonTransfers: []*facetdv1.PhotonTransfer{{Chip: "m1", View: "view-1", CodesPerElectron: 0.25,
			DarkNoiseElectrons: 9.5, SaturationElectrons: 12000, DsnuElectrons: 14, Prnu: 0.012, MaxSnr: 109.5,
			DynamicRange: 1180, LinearityError: new(0.002)}},
	}, nil
}

func (f *fake) AbortCalibration(_ context.Context,
	r *facetdv1.AbortCalibrationRequest) (*facetdv1.AbortCalibrationResponse, error) {
	f.note(r)
	return &facetdv1.AbortCalibrationResponse{}, nil
}

func (f *fake) ListCalibrations(context.Context, *facetdv1.ListCalibrationsRequest) (*facetdv1.ListCalibrationsResponse,
	error) {
	return &facetdv1.ListCalibrationsResponse{Sessions: []*facetdv1.CalibrationSession{{
		Id: "k3x9", Chips: []string{"h0", "m0"}, Levels: []*facetdv1.CollectedLevel{fakeLevel(0), fakeLevel(100)},
		CreateTime: fakeMade, ExpireTime: fakeMade, Note: "sphere",
	}}}, nil
}

func (f *fake) ListCorrectionMaps(_ context.Context,
	r *facetdv1.ListCorrectionMapsRequest) (*facetdv1.ListCorrectionMapsResponse, error) {
	f.note(r)
	return &facetdv1.ListCorrectionMapsResponse{CorrectionMaps: []*facetdv1.CorrectionMap{fakeMap(false)},
		Refused: []*facetdv1.RefusedCorrectionMap{{File: "old.map", Reason: `it was made for array "other"`}}}, nil
}

func (f *fake) GetCorrectionMap(_ context.Context,
	r *facetdv1.GetCorrectionMapRequest) (*facetdv1.GetCorrectionMapResponse, error) {
	f.note(r)
	return &facetdv1.GetCorrectionMapResponse{CorrectionMap: fakeMap(r.GetData())}, nil
}

func (f *fake) DeleteCorrectionMap(_ context.Context,
	r *facetdv1.DeleteCorrectionMapRequest) (*facetdv1.DeleteCorrectionMapResponse, error) {
	f.note(r)
	return &facetdv1.DeleteCorrectionMapResponse{}, nil
}

func (f *fake) UpdateOffsets(_ context.Context, r *facetdv1.UpdateOffsetsRequest) (*facetdv1.UpdateOffsetsResponse,
	error) {
	f.note(r)
	return &facetdv1.UpdateOffsetsResponse{CorrectionMaps: []*facetdv1.CorrectionMap{fakeMap(false)},
		Level: fakeLevel(100)}, nil
}

// TestMapPictures: the pictures of a correction map can be read by others, and say what the correction map says.
func TestMapPictures(t *testing.T) {
	f := startFake(t)
	dir := t.TempDir()
	for _, ext := range []string{"svg", "png"} {
		file := filepath.Join(dir, "map."+ext)
		if r := runAgainst(t, f.address, []string{"calibrate", "show", "h0-0a1b2c3d4e5f", "--picture", file},
			""); r.Status != 0 {
			t.Fatalf("%s: %s", ext, r.Stderr)
		}
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if ext == "png" {
			img, err := png.Decode(bytes.NewReader(data))
			if err != nil || img.Bounds().Dx() < 300 {
				t.Fatalf("%v, %v", img, err)
			}
			red := 0
			for y := range img.Bounds().Dy() {
				for x := range img.Bounds().Dx() {
					if r, g, _, _ := img.At(x, y).RGBA(); r > 2*g {
						red++
					}
				}
			}
			if red != 3*84*84 { // one pixel of three parameters, enlarged 84 times
				t.Errorf("%d red points", red)
			}
			continue
		}
		d := xml.NewDecoder(bytes.NewReader(data))
		for {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
		for _, want := range []string{"Correction map h0-0a1b2c3d4e5f", "1 of 6 pixels defective", "slope b",
			"&lt;0.60", ">1.25<"} {
			if !strings.Contains(string(data), want) {
				t.Errorf("the drawing does not say %q", want)
			}
		}
		if n := strings.Count(string(data), "<image "); n != 3 {
			t.Errorf("%d parameters are drawn", n)
		}
	}
	if r := runAgainst(t, f.address, []string{"calibrate", "show", "h0-0a1b2c3d4e5f", "--picture", "map.gif"},
		""); r.Status != 2 {
		t.Errorf("a picture of another kind: %d", r.Status)
	}
}

// TestRunThatBreaksOff aborts the calibration and puts the light back.
func TestRunThatBreaksOff(t *testing.T) {
	f := startFake(t)
	// Enter once, then nobody
	r := runAgainst(t, f.address, []string{"calibrate", "run", "h0", "--levels", "10,20"}, "\n")
	calls := strings.Join(f.taken(), "\n")
	if r.Status != 1 || !strings.Contains(r.Stderr, "no answer came on standard input") ||
		!strings.Contains(calls, `AbortCalibration {"session":"k3x9","request_id":"ANEW"}`) ||
		strings.Contains(calls, "Finish") {
		t.Errorf("status %d, %s\n%s", r.Status, r.Stderr, calls)
	}
	r = runAgainst(t, f.address, []string{"calibrate", "run", "h0", "--levels", "10", "--frames", "4"}, "soon\n12.5\n")
	calls = strings.Join(f.taken(), "\n")
	if r.Status != 0 || !strings.Contains(r.Stderr, `"soon" is not an illumination level`) ||
		!strings.Contains(calls, `"lux":12.5,"frames":4`) {
		t.Errorf("status %d, %s\n%s", r.Status, r.Stderr, calls)
	}
}

// TestRunUnderAnothersLight makes no correction map of a level during which somebody else, such as
// a bring-up, set the light or the temperature.
func TestRunUnderAnothersLight(t *testing.T) {
	for _, other := range []*facetdv1.Environment{{Scene: "uniform:500"},
		{Scene: "uniform:10", TemperatureOffsetK: 15}} {
		f := startFake(t)
		f.whenCollected = other
		r := runAgainst(t, f.address, []string{"calibrate", "run", "h0", "--levels", "10,20", "--virtual-light"}, "")
		calls := strings.Join(f.taken(), "\n")
		if r.Status != 1 || !strings.Contains(r.Stderr, "somebody else changed the light") ||
			!strings.Contains(r.Stderr, other.GetScene()) {
			t.Errorf("status %d, %s", r.Status, r.Stderr)
		}
		if strings.Contains(calls, "Finish") ||
			!strings.Contains(calls, `AbortCalibration {"session":"k3x9","request_id":"ANEW"}`) {
			t.Errorf("what was asked of the daemon:\n%s", calls)
		}
	}
}
