package tokens

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

type triple [3]float64

func times(m [3]triple, v triple) (out triple) {
	for i, row := range m {
		for j, w := range row {
			out[i] += w * v[j]
		}
	}
	return out
}

// eyes turn linear sRGB into what readers see who have all three kinds of cone, or lack one: Machado, Oliveira and
// Fernandes, A Physiologically-based Model for Simulation of Color Vision Deficiency (2009), severity 1.0; the numbers
// are from memory.
var eyes = map[string][3]triple{
	"normal":       {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranopia": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
	"tritanopia":   {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
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

// lab is CIELAB of linear sRGB with its white D65 (CIE 15:2004; the matrix of IEC 61966-2-1). What lies beyond the
// display is cut off, as a display does.
func lab(rgb triple) triple {
	for i := range rgb {
		rgb[i] = min(max(rgb[i], 0), 1)
	}
	xyz := times([3]triple{
		{0.4124, 0.3576, 0.1805}, {0.2126, 0.7152, 0.0722}, {0.0193, 0.1192, 0.9505},
	}, rgb)
	white := triple{0.9505, 1, 1.089}
	var f triple
	for i := range xyz {
		if v := xyz[i] / white[i]; v > 216.0/24389 {
			f[i] = math.Cbrt(v)
		} else {
			f[i] = (24389.0/27*v + 16) / 116
		}
	}
	return triple{116*f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])}
}

// difference is the colour difference CIEDE2000 of two colours in CIELAB, with all weights 1: G. Sharma, W. Wu and
// E. N. Dalal, The CIEDE2000 Color-Difference Formula (Color Research and Application 30, 2005); the formula is from
// memory, and agrees with the test data below.
func difference(p, q triple) float64 {
	const far = 6103515625 // 25^7
	chroma := (math.Hypot(p[1], p[2]) + math.Hypot(q[1], q[2])) / 2
	g := 1.5 - 0.5*math.Sqrt(math.Pow(chroma, 7)/(math.Pow(chroma, 7)+far))
	c1, h1 := polar(g*p[1], p[2])
	c2, h2 := polar(g*q[1], q[2])
	dh, mean := h2-h1, (h1+h2)/2
	switch {
	case c1*c2 == 0:
		dh, mean = 0, h1+h2
	case math.Abs(dh) > 180:
		dh -= math.Copysign(360, dh)
		if h1+h2 < 360 {
			mean += 180
		} else {
			mean -= 180
		}
	}
	l, c := (p[0]+q[0])/2, (c1+c2)/2
	t := 1 - 0.17*cosd(mean-30) + 0.24*cosd(2*mean) + 0.32*cosd(3*mean+6) - 0.2*cosd(4*mean-63)
	off := (l - 50) * (l - 50)
	sl, sc, sh := 1+0.015*off/math.Sqrt(20+off), 1+0.045*c, 1+0.015*c*t
	turn := 30 * math.Exp(-math.Pow((mean-275)/25, 2))
	rt := -2 * math.Sqrt(math.Pow(c, 7)/(math.Pow(c, 7)+far)) * math.Sin(2*turn*math.Pi/180)
	dl, dc := (q[0]-p[0])/sl, (c2-c1)/sc
	hue := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*math.Pi/180) / sh
	return math.Sqrt(dl*dl + dc*dc + hue*hue + rt*dc*hue)
}

func cosd(deg float64) float64 { return math.Cos(deg * math.Pi / 180) }

// polar is the length of a vector and its angle, 0 to 360 degrees.
func polar(a, b float64) (length, angle float64) {
	if a == 0 && b == 0 {
		return 0, 0
	}
	return math.Hypot(a, b), math.Mod(math.Atan2(b, a)*180/math.Pi+360, 360)
}

// TestDifference: pairs of the test data of Sharma, Wu and Dalal (2005), table 1; the numbers are from memory.
func TestDifference(t *testing.T) {
	for _, c := range []struct {
		a, b triple
		want float64
	}{
		{triple{50, 2.6772, -79.7751}, triple{50, 0, -82.7485}, 2.0425},
		{triple{50, 3.1571, -77.2803}, triple{50, 0, -82.7485}, 2.8615},
		{triple{50, 2.8361, -74.02}, triple{50, 0, -82.7485}, 3.4412},
		{triple{50, -1.3802, -84.2814}, triple{50, 0, -82.7485}, 1},
		{triple{50, 0, 0}, triple{50, -1, 2}, 2.3669},
		{triple{50, 2.49, -0.001}, triple{50, -2.49, 0.0009}, 7.1792},
		{triple{50, 2.49, -0.001}, triple{50, -2.49, 0.0011}, 7.2195},
		{triple{50, -0.001, 2.49}, triple{50, 0.0009, -2.49}, 4.8045},
		{triple{50, 2.5, 0}, triple{50, 0, -2.5}, 4.3065},
		{triple{50, 2.5, 0}, triple{73, 25, -18}, 27.1492},
		{triple{50, 2.5, 0}, triple{61, -5, 29}, 22.8977},
		{triple{50, 2.5, 0}, triple{56, -27, -3}, 31.9030},
		{triple{50, 2.5, 0}, triple{58, 24, 15}, 19.4535},
		{triple{60.2574, -34.0099, 36.2677}, triple{60.4626, -34.1751, 39.4387}, 1.2644},
		{triple{2.0776, 0.0795, -1.135}, triple{0.9033, -0.0636, -0.5514}, 0.9082},
	} {
		for _, got := range []float64{difference(c.a, c.b), difference(c.b, c.a)} {
			if math.Abs(got-c.want) > 1e-4 {
				t.Errorf("%v and %v differ by %.4f, want %.4f", c.a, c.b, got, c.want)
			}
		}
	}
	if got := lab(linear(t, "#ffffff")); math.Abs(got[0]-100) > 0.01 || math.Hypot(got[1], got[2]) > 0.05 {
		t.Errorf("white is %v", got)
	}
}

// seen are a colour's places in CIELAB in the eyes of every reader, on one ground.
func seen(t *testing.T, colour string) map[string]triple {
	t.Helper()
	out := map[string]triple{}
	for who, m := range eyes {
		out[who] = lab(times(m, linear(t, colour)))
	}
	return out
}

// apart demands that two colours differ by at least 15 in the eyes of every reader, on either ground: a difference of 1
// is about what is just seen between large fields side by side, and what is told from each other at a glance, in small
// marks, is many times that.
func apart(t *testing.T, a, b Colour) {
	t.Helper()
	const least = 15
	for _, pair := range [][2]string{{a.Light, b.Light}, {a.Dark, b.Dark}} {
		p, q := seen(t, pair[0]), seen(t, pair[1])
		for who := range eyes {
			if d := difference(p[who], q[who]); d < least {
				t.Errorf("%s: %s and %s (%s) differ by %.1f, below %d", who, a.Name, b.Name, pair, d, least)
			}
		}
	}
}

// TestPhasesAreToldApart: any two phases, since any two may be neighbours.
func TestPhasesAreToldApart(t *testing.T) {
	for i, a := range Phases {
		for _, b := range Phases[:i] {
			apart(t, a.Colour, b.Colour)
			if slices.Equal(a.Hatch, b.Hatch) && i > 0 && b.Name != "other" {
				t.Errorf("%s and %s have the same lines over them", a.Name, b.Name)
			}
		}
	}
}

// TestWhatDrawingsUseIsToldApart: any two series; each shade from the next, and the first from what it lies on; and in
// the map of a wiring the dots of inputs, the marks of groups and the signs of what is wrong.
func TestWhatDrawingsUseIsToldApart(t *testing.T) {
	for i, a := range Series {
		for _, b := range Series[:i] {
			apart(t, a, b)
		}
	}
	below := Grounds[2]
	for _, s := range Shades {
		apart(t, below, s)
		below = s
	}
	byName := map[string]Colour{}
	for _, c := range Inks {
		byName[c.Name] = c
	}
	for _, pair := range [][2]Colour{{byName["accent"], byName["focus"]}, {byName["accent"], States[1]},
		{byName["focus"], States[1]}, {byName["muted"], Series[1]}} {
		apart(t, pair[0], pair[1])
	}
}

// TestStatesAreToldApart: a warning from what is bad, and both from the texts and marks that say nothing of a state.
func TestStatesAreToldApart(t *testing.T) {
	warn, bad := States[0], States[1]
	apart(t, warn, bad)
	for _, plain := range Inks {
		if plain.Name == "ink" || plain.Name == "muted" || plain.Name == "accent" {
			apart(t, warn, plain)
			apart(t, bad, plain)
		}
	}
	apart(t, Clips[0], Clips[1])
	for _, clip := range Clips {
		apart(t, clip, Colour{"black", "#000000", "#000000"})
		apart(t, clip, Colour{"grey", "#808080", "#808080"})
		apart(t, clip, Colour{"white", "#ffffff", "#ffffff"})
	}
}
