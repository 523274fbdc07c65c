package calibration_test

import (
	"fmt"
	"slices"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

// TestOneLevelHidesStuckPixels: by one level a pixel that is stuck far from the others is found, and one that is stuck
// where the others are at that level is not, whatever the level; a second level finds both.
func TestOneLevelHidesStuckPixels(t *testing.T) {
	with := func(defects ...string) *daemon {
		return start(t, func(c *server.Setup) { c.Tasks, c.Defects = config.None, defects })
	}
	offset := &facetdv1.StartCalibrationRequest{Target: list("bow-left"),
		Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET}
	good := with()
	mean := good.calibrate(offset, 16, 200).GetCorrectionMaps()[0].GetLevels()[0].GetMeanCodes()
	good.light(200)
	good.settle(list("bow-left"))
	f := good.pattern(list("bow-left"), nil, facetdv1.Codes_CODES_RAW, 2)["bow-left"].frame
	volts := f.GetCodeZeroVolts() + mean*f.GetVoltsPerCode()

	bad := with("bow-left:3,4=stuck@2.1", fmt.Sprintf("bow-left:10,11=stuck@%.5f", volts))
	found := func(of *facetdv1.FinishCalibrationResponse) (far, near bool) {
		full := must[*facetdv1.GetCorrectionMapResponse](t)(bad.cal.GetCorrectionMap(limited(t),
			&facetdv1.GetCorrectionMapRequest{Id: of.GetCorrectionMaps()[0].GetId(), Data: true})).GetCorrectionMap()
		at := func(row, column uint32) bool {
			return slices.ContainsFunc(full.GetData().GetDefects(), func(d *facetdv1.PixelDefect) bool {
				return d.GetRow() == row && d.GetColumn() == column
			})
		}
		return at(3, 4), at(10, 11)
	}
	if far, near := found(bad.calibrate(offset, 16, 200)); !far || near {
		t.Errorf("by one level: stuck far away found: %v, stuck at the level's own volts found: %v", far, near)
	}
	if far, near := found(bad.calibrate(&facetdv1.StartCalibrationRequest{Target: list("bow-left"),
		Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET_GAIN}, 16, 20, 200)); !far || !near {
		t.Errorf("by two levels: stuck far away found: %v, stuck at one level's volts found: %v", far, near)
	}
}
