package bench

import (
	"fmt"
	"io"
	"math"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// Focus is how sharp a chip is now, at best so far, and as its lens is described.
type Focus struct {
	Chip string `json:"chip"`
	// NowPixels and BestPixels are blurs in pixels, the smaller the sharper; nil where the picture has too few edges.
	NowPixels  *float64 `json:"now_pixels"`
	BestPixels *float64 `json:"best_pixels"`
	// LensPixels is the blur that the lens has in focus as the array file describes it.
	LensPixels float64 `json:"lens_pixels"`
	// Edges is how many edges the last picture had.
	Edges int `json:"edges"`
}

// Add takes another picture in.
func (f *Focus) Add(s Sharpness) {
	f.Edges, f.NowPixels = s.Edges, nil
	if math.IsNaN(s.BlurPixels) {
		return
	}
	now := s.BlurPixels
	f.NowPixels = &now
	if f.BestPixels == nil || now < *f.BestPixels {
		best := now
		f.BestPixels = &best
	}
}

// AtBest reports whether the picture is as sharp as it was at best, within a tenth and a twentieth of a pixel.
func (f *Focus) AtBest() bool {
	return f.NowPixels != nil && *f.NowPixels <= 1.1**f.BestPixels+0.05
}

// Allowed reports whether the best is what lens and pixel allow, within a fifth and a tenth of a pixel.
func (f *Focus) Allowed() bool {
	return f.BestPixels != nil && *f.BestPixels <= 1.2*f.LensPixels+0.1
}

// DrawFocus draws a bar for each chip: its blur now, with marks at the best and at what its lens allows.
func DrawFocus(w io.Writer, title string, of []*Focus) error {
	const width, left, line, top = 640.0, 150.0, 30.0, 56.0
	most := 1.0
	for _, f := range of {
		for _, v := range []*float64{f.NowPixels, f.BestPixels, &f.LensPixels} {
			if v != nil {
				most = max(most, *v)
			}
		}
	}
	d := svg.New("focus", title, width, top+line*float64(len(of))+40)
	d.Style(tokens.Style("text{font:12px sans-serif;fill:var(--ink)}\n.now{fill:var(--series-1)}\n" +
		".best{stroke:var(--ink);stroke-width:3}\n.lens{stroke:var(--series-2);stroke-width:2;stroke-dasharray:4 2}\n" +
		".axis{stroke:var(--edge)}"))
	d.Text("", 16, 24, title)
	d.Text("", 16, 42, "bar: blur now; solid mark: best so far; dashed mark: what the lens allows")
	x := func(v float64) float64 { return left + (width-left-40)*v/most }
	for i, f := range of {
		y := top + line*float64(i)
		d.Text("end", left-8, y+16, f.Chip)
		if f.NowPixels == nil {
			d.Text("", left+4, y+16, "too few edges")
		} else {
			d.Rect("now", left, y+4, x(*f.NowPixels)-left, line-12)
		}
		if f.BestPixels != nil {
			d.Line("best", x(*f.BestPixels), y+1, x(*f.BestPixels), y+line-5)
		}
		d.Line("lens", x(f.LensPixels), y+1, x(f.LensPixels), y+line-5)
	}
	foot := top + line*float64(len(of))
	d.Line("axis", left, foot, width-40, foot)
	for _, v := range svg.Ticks(0, most, 6) {
		d.Text("mid", x(v), foot+16, fmt.Sprintf("%.3g", v))
	}
	d.Text("mid", (left+width)/2, foot+32, "blur in pixels")
	_, err := d.WriteTo(w)
	return err
}
