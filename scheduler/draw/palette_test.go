package draw

import (
	"fmt"
	"math"
	"testing"
)

// dichromacies turn linear sRGB into what readers see who lack one kind of cone: Machado, Oliveira
// and Fernandes, A Physiologically-based Model for Simulation of Color Vision Deficiency (2009),
// severity 1.0; the numbers are from memory.
var dichromacies = map[string][3][3]float64{
	"normal":       {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranopia": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
	"tritanopia":   {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
}

type triple [3]float64

func times(m [3][3]float64, v triple) (out triple) {
	for i, row := range m {
		for j, w := range row {
			out[i] += w * v[j]
		}
	}
	return out
}

// linear is a colour such as #1d2329 in linear sRGB (IEC 61966-2-1).
func linear(t *testing.T, colour string) (out triple) {
	t.Helper()
	var c [3]uint8
	if _, err := fmt.Sscanf(colour, "#%02x%02x%02x", &c[0], &c[1], &c[2]); err != nil {
		t.Fatalf("%q is not a colour: %v", colour, err)
	}
	for i := range c {
		if v := float64(c[i]) / 255; v <= 0.04045 {
			out[i] = v / 12.92
		} else {
			out[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	return out
}

// oklab is a colour where distances are about as they are seen: B. Ottosson, A perceptual color
// space for image processing (2020).
func oklab(rgb triple) triple {
	for i := range rgb {
		rgb[i] = min(max(rgb[i], 0), 1)
	}
	cones := times([3][3]float64{
		{0.4122214708, 0.5363325363, 0.0514459929}, {0.2119034982, 0.6806995451, 0.1073969566},
		{0.0883024619, 0.2817188376, 0.6299787005},
	}, rgb)
	for i := range cones {
		cones[i] = math.Cbrt(cones[i])
	}
	return times([3][3]float64{
		{0.2104542553, 0.7936177850, -0.0040720468}, {1.9779984951, -2.4285922050, 0.4505937099},
		{0.0259040371, 0.7827717662, -0.8086757660},
	}, cones)
}

// TestOklab: white is (1, 0, 0) and black the origin, by the definition of the space.
func TestOklab(t *testing.T) {
	for colour, want := range map[string]triple{"#ffffff": {1, 0, 0}, "#000000": {}} {
		got := oklab(linear(t, colour))
		for i := range got {
			if math.Abs(got[i]-want[i]) > 1e-4 {
				t.Errorf("%s is %v, want %v", colour, got, want)
			}
		}
	}
}

// TestPhasesAreToldApart: any two phases differ by at least 0.12 in the eyes of every reader, on light
// and on dark ground; two neighbouring shades that are only just told apart differ by about 0.02.
func TestPhasesAreToldApart(t *testing.T) {
	phases := PhaseColours[1:] // "other" is the ground of what has no phase
	for eyes, m := range dichromacies {
		for i, a := range phases {
			for _, b := range phases[:i] {
				for _, pair := range [][2]string{{a.Light, b.Light}, {a.Dark, b.Dark}} {
					x, y := oklab(times(m, linear(t, pair[0]))), oklab(times(m, linear(t, pair[1])))
					if d := math.Sqrt(sq(x[0]-y[0]) + sq(x[1]-y[1]) + sq(x[2]-y[2])); d < 0.12 {
						t.Errorf("%s: %s and %s (%s) differ by %.3f", eyes, a.Name, b.Name, pair, d)
					}
				}
			}
		}
	}
}

func sq(v float64) float64 { return v * v }
