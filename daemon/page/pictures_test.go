package page_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"facetd.example/daemon/server"
)

// odd is an array of what pictures may get wrong: a wide chip, one of pixels that are not square and whose signal falls
// with light, of which a window is read, and a hexagonal one.
func odd(t *testing.T, c *server.Setup) {
	t.Helper()
	array := fmt.Sprintf(arrayHead, "odd", `  - name: wide
    lattice: {rows: 40, columns: 107, pitch_x_um: 25}
    logarithmic: {offset_volts: 1.2, volts_per_decade: 0.1, offset_spread_volts: 0.01}
    readout: {step: 100ns, row_step: 100ns, output_resistance_ohms: 1000}
  - name: falling
    lattice: {rows: 40, columns: 40, pitch_x_um: 20, pitch_y_um: 30}
    logarithmic: {offset_volts: 1.6, volts_per_decade: -0.1, offset_spread_volts: 0.01}
    readout: {step: 100ns, row_step: 100ns, output_resistance_ohms: 1000}
  - name: comb
    lattice: {rows: 24, columns: 20, pitch_x_um: 30, arrangement: hexagonal}
    logarithmic: {offset_volts: 1.2, volts_per_decade: 0.1, offset_spread_volts: 0.02}
    readout: {step: 100ns, row_step: 100ns, output_resistance_ohms: 1000}
`, chipAt("wide-0", "wide", 0, 0)+chipAt("falling-0", "falling", 1, 0)+chipAt("comb-0", "comb", 2, 0))
	use(t, c, array, `tasks:
  - {name: wide, target: {list: {names: [wide-0]}}, rate_hz: 4, views: [{name: whole}]}
  - name: falling
    target: {list: {names: [falling-0]}}
    rate_hz: 4
    views: [{name: part, window: {row: 10, column: 20, rows: 20, columns: 10}}]
  - {name: comb, target: {list: {names: [comb-0]}}, rate_hz: 4, views: [{name: whole}]}
`)
}

// TestPicturesKeepTheirProportions: pictures have the proportions of what was read, in tiles and large, a window lies
// in its place on its chip, and a pixel that is pointed at says its code, volts, light and time.
func TestPicturesKeepTheirProportions(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { odd(t, c) })
	b := browse(t, d.url(), 1280, 800)
	b.live(3)
	hex := math.Sqrt(0.75)
	for chip, want := range map[string]float64{"wide-0": 107.0 / 40, "falling-0": 20.0 / 30,
		"comb-0": 20.5 / ((23 + 4.0/3) * hex)} {
		for _, where := range []string{fmt.Sprintf(`.tile[data-chip=%q]`, chip), "#chip-large"} {
			if where == "#chip-large" {
				b.click(fmt.Sprintf(`.tile[data-chip=%q]`, chip))
				b.waitFor(fmt.Sprintf(`document.getElementById('chip-canvas').dataset.job?.startsWith(%q)`,
					strings.TrimSuffix(chip, "-0")), patience)
			}
			got := eval[[]float64](b, fmt.Sprintf(`(() => { const e = document.querySelector(%q), r = e.querySelector(".die").getBoundingClientRect();
				const out = (e.querySelector(".pic") ?? e).getBoundingClientRect();
				return [r.width, r.height, out.width, out.height]; })()`, where))
			// A chip is as large as fits: it touches two sides of what it stands in.
			if math.Abs(got[0]/got[1]/want-1) > 0.03 || got[0] > got[2]+1 || got[1] > got[3]+1 ||
				got[0] < got[2]-6 && got[1] < got[3]-6 {
				t.Errorf("%s in %s is %v, want a ratio of %.3f", chip, where, got, want)
			}
		}
	}
	// The window of 20 by 10 pixels from row 10 and column 20 of 40 by 40.
	b.click(`.tile[data-chip="falling-0"]`)
	at := func() []float64 {
		return eval[[]float64](b, `(() => { const r = document.querySelector('.tile[data-chip="falling-0"] .die').getBoundingClientRect(),
			w = document.querySelector('.tile[data-chip="falling-0"] canvas').getBoundingClientRect();
			return [(w.left - r.left) / r.width, (w.top - r.top) / r.height, w.width / r.width, w.height / r.height]; })()`)
	}
	for i, want := range []float64{0.5, 0.25, 0.25, 0.5} {
		if got := at(); math.Abs(got[i]-want) > 0.01 {
			t.Errorf("the window lies at %v of its chip", got)
		}
	}
	b.waitFor(`document.getElementById('chip-canvas').dataset.job?.startsWith('falling')`, patience)
	b.picture("odd", "body")

	// The reading: by the keyboard, from the middle of the window on.
	b.do(chromedp.Focus("#chip-large"), chromedp.KeyEvent(kb.ArrowRight))
	b.waitFor(`document.getElementById('chip-reading').textContent !== ''`, patience)
	said := b.text("#chip-reading")
	for _, want := range []string{"Row 20, column 26 of the chip: code ", " V, about ", " lux", "Light of ",
		"sampled 0 ns later"} {
		if !strings.Contains(said, want) {
			t.Errorf("the reading %q lacks %q", said, want)
		}
	}
	var code, volts, lux float64
	if _, err := fmt.Sscanf(said[strings.Index(said, "code"):], "code %f, %f V, about %f lux", &code, &volts,
		&lux); err != nil {
		t.Fatalf("%q: %v", said, err)
	}
	// The array is in light of 200 lux, and its pixels differ by 0.01 V, a tenth of a decade.
	if want := 0.4 + code*2/4096; math.Abs(volts-want) > 0.002 || lux < 70 || lux > 560 {
		t.Errorf("%q: the code stands for %.3f V, and the light is 200 lux", said, want)
	}
	b.do(chromedp.MouseEvent("mouseMoved", 10, 10))
	// The first pixel, by a copy: the browser warns of canvases that are read again and again.
	const first = `(() => { const c = document.createElement("canvas"), g = c.getContext("2d", {willReadFrequently: true});
		g.drawImage(document.getElementById("chip-canvas"), 0, 0); return g.getImageData(0, 0, 1, 1).data[0]; })()`
	b.choose("#range-mode", "full")
	b.waitFor(`document.querySelector('#chip-facts [data-fact="Range shown"]').textContent.startsWith('codes 0 to')`,
		patience)
	b.drawn()
	grey := eval[int](b, first)
	b.choose("#white", "light")
	b.waitFor(fmt.Sprintf(`Math.abs(%s - %d) < 12`, first, 255-grey), patience)
	// As large as it can be, a window has the proportions of its own.
	b.choose("#window-place", "fill")
	b.drawn()
	b.waitFor(`(() => { const r = document.querySelector('.tile[data-chip="falling-0"] canvas').getBoundingClientRect();
		return Math.abs(r.width / r.height / (10 * 20 / (20 * 30)) - 1) < 0.05; })()`, patience)
	b.noErrors()
}
