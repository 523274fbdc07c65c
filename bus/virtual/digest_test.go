package virtual

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
)

// TestDigestsOfTheTestArray: each chip of the test array, with logarithmic and with linear
// pixels, gives the codes that it gave when pixels came to follow the light between two looks:
// testdata/digests.txt was recorded then, and is not to be recorded again unless the
// physics is meant to change.
func TestDigestsOfTheTestArray(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the digests were recorded on amd64; other processors may round sums of products differently")
	}
	want, err := os.ReadFile("testdata/digests.txt")
	if err != nil {
		t.Fatal(err)
	}
	var got strings.Builder
	for _, pixel := range []string{"logarithmic", "linear"} {
		msg := Message()
		for _, c := range msg.GetClasses() {
			if c.GetMemory() != nil {
				c.GetMemory().CellSpread, c.GetMemory().InjectionVolts, c.GetMemory().ShareSettle = 0.01, 1e-3, nil
			}
			if pixel == "linear" {
				c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
					Exposure: durationpb.New(2 * time.Millisecond), ElectronsPerLuxS: 50_000, DarkElectronsPerS: 1000,
					FullWellElectrons: 40_000,
					VoltsPerElectron:  4e-5, ResetVolts: 2.2, ReadNoiseElectrons: 12, DarkSpreadElectrons: 20,
					GainSpread: 0.01,
				}}
			}
		}
		a, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		light, err := scene.Grating(scene.GratingOptions{MeanLux: 100, Contrast: 0.8, CyclesPerPixel: 0.2,
			DriftHz: 300})
		if err != nil {
			t.Fatal(err)
		}
		b, err := New(Config{Array: a, Scene: light, Pace: free, Seed: 11})
		if err != nil {
			t.Fatal(err)
		}
		families := []chipmodel.LineSet{M0: F | X0, M1: F | X1, M2: F | X2, C0: G | X0, T0: G | X1, S0: H | X0,
			H0: H | X1}
		for chip, word := range families {
			fmt.Fprintf(&got, "%s, %s pixels: %x\n", a.Chips[chip].Name, pixel, digestOf(t, b, a, chip, word))
		}
	}
	if got.String() != string(want) {
		t.Errorf("the test array shows other codes than before\ngot:\n%swant:\n%s", got.String(), want)
	}
}

// digestOf sums up some frames of a chip: as it is after power-on, and with other values
// in the registers that it has.
func digestOf(t *testing.T, b *Bus, a *chipmodel.Array, chip int, word chipmodel.LineSet) []byte {
	t.Helper()
	class := a.Chips[chip].Class
	sum := sha256.New()
	read := func(number uint64, claim bus.Claim, ops ...bus.Op) {
		ops = append([]bus.Op{Select(word)}, ops...)
		for i := range ops {
			ops[i].Command = i
		}
		ops = append(ops, Write(len(ops), chipmodel.OutputEnable, 1, chip))
		if class.Counts() {
			ops = append(ops, Strobe(len(ops), chipmodel.Reset, 0, chip))
		}
		ops = append(ops, Scan(a, chip, 0, claim), Write(len(ops)+1, chipmodel.OutputEnable, 0, chip))
		res, err := Run(t.Context(), b, b.Now(), segment(a.Chips[chip].Name, number, ops...))
		if err != nil {
			t.Fatal(err)
		}
		for _, cp := range res.Captures {
			_ = binary.Write(sum, binary.LittleEndian, cp.Codes)
		}
	}
	for i := range uint64(3) {
		switch {
		case class.HasMemory():
			read(i, bus.Claim{Shares: []bus.Patterns{{Columns: 0x55, Rows: 0xaa}}},
				Strobe(0, chipmodel.Load, 0, chip), Write(0, chipmodel.ColumnPattern, 0x55, chip),
				Write(0, chipmodel.RowPattern, 0xaa, chip),
				Strobe(0, chipmodel.Share, a.ShareTime(class, 0x55, 0xaa)-a.Timing.Strobe, chip))
		case i > 0 && class.HasSwitches():
			read(i, bus.Claim{Registers: []bus.RegisterValue{
				{Register: chipmodel.ColumnPattern, Value: 0x55}, {Register: chipmodel.RowPattern, Value: 0x11},
			}},
				Write(0, chipmodel.ColumnPattern, 0x55, chip), Write(0, chipmodel.RowPattern, 0x11, chip),
				bus.Op{Kind: bus.OpWait, Hold: 5 * time.Microsecond, Phase: 5})
		case i > 0 && chip == T0:
			read(i, bus.Claim{}, Write(0, chipmodel.PixelBias, 150, chip), Write(0, chipmodel.Gain, 1, chip),
				Write(0, chipmodel.Offset, 0xf0, chip), Write(0, chipmodel.OutputBias, 120, chip))
		default:
			read(i, bus.Claim{})
		}
	}
	return sum.Sum(nil)
}
