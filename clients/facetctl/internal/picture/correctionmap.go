package picture

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// panel is one parameter of a correction map, as it is drawn.
type panel struct {
	title string
	unit  string
	at    func(pixel int) float64
	// From low (black) to high (white); what lies beyond is drawn as the end.
	low, high, middle, spread float64
}

// panelsOf are the parameters of a correction map with the range of each: three standard deviations
// about the mean of the good pixels.
func panelsOf(m *facetdv1.CorrectionMap) ([]panel, map[int]bool, error) {
	n := int(m.GetRows()) * int(m.GetColumns())
	d := m.GetData()
	var out []panel
	add := func(title, unit string, values []float32) {
		if len(values) > 0 {
			out = append(out, panel{title: title, unit: unit, at: func(i int) float64 { return float64(values[i]) }})
		}
	}
	mean := m.GetMeanResponse()
	switch {
	case n == 0 || len(d.GetOffset()) != n || len(d.GetGain()) != 0 && len(d.GetGain()) != n || len(d.GetDark()) != 0 &&
		len(d.GetDark()) != n:
		return nil, nil, fmt.Errorf("correction map %s: its numbers are not those of %d x %d pixels", m.GetId(),
			m.GetRows(), m.GetColumns())
	case mean != nil:
		add("offset a", "codes", d.GetOffset())
		add("slope b", "codes per e-fold", d.GetGain())
		add("dark term c", "lux", d.GetDark())
	default:
		add("offset", "codes", d.GetOffset())
		add("gain", "of the mean pixel", d.GetGain())
	}
	bad := map[int]bool{}
	for _, p := range d.GetDefects() {
		bad[int(p.GetRow()*m.GetColumns()+p.GetColumn())] = true
	}
	for i := range out {
		out[i].stretch(n, bad)
	}
	return out, bad, nil
}

func (p *panel) stretch(n int, bad map[int]bool) {
	var sum, squares float64
	k := 0.0
	for i := range n {
		if !bad[i] {
			sum += p.at(i)
			k++
		}
	}
	p.middle = sum / max(k, 1)
	for i := range n {
		if !bad[i] {
			squares += (p.at(i) - p.middle) * (p.at(i) - p.middle)
		}
	}
	p.spread = math.Sqrt(squares / max(k-1, 1))
	p.low, p.high = p.middle-3*p.spread, p.middle+3*p.spread
}

func (p *panel) grey(i int) uint8 {
	if p.high <= p.low {
		return 128
	}
	return uint8(255*min(max((p.at(i)-p.low)/(p.high-p.low), 0), 1) + 0.5)
}

func (p *panel) rangeText() string {
	if p.spread == 0 {
		return fmt.Sprintf("%.4g %s, all alike", p.middle, p.unit)
	}
	return fmt.Sprintf("%.4g to %.4g %s", p.low, p.high, p.unit)
}

// defectColour marks defective pixels.
var defectColour = color.NRGBA{R: 214, G: 40, B: 30, A: 255}

// draw paints a parameter with pixels of sx by sy at a place.
func (p *panel) draw(dst *image.NRGBA, at image.Point, m *facetdv1.CorrectionMap, bad map[int]bool, sx, sy int) {
	columns := int(m.GetColumns())
	step := int(max(m.GetSettings().GetWindow().GetRowStep(), 1))
	for i := range int(m.GetRows()) * columns {
		r, c := i/columns, i%columns
		x, y := at.X+c*sx, at.Y+r*sy
		if m.GetArrangement() == facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL &&
			(int(m.GetSettings().GetWindow().GetRow())+r*step)%2 == 1 {
			x += sx / 2
		}
		ink := color.NRGBA{A: 255}
		ink.R = p.grey(i)
		ink.G, ink.B = ink.R, ink.R
		if bad[i] {
			ink = defectColour
		}
		fill(dst, image.Rect(x, y, x+sx, y+sy), ink)
	}
}

// mapSide is what the longer side of a parameter is enlarged to, about.
const mapSide = 256

func mapScale(m *facetdv1.CorrectionMap) (sx int, size image.Point) {
	sx = max(2, mapSide/int(max(m.GetRows(), m.GetColumns()))) &^ 1
	size = image.Pt(int(m.GetColumns())*sx, int(m.GetRows())*sx)
	if m.GetArrangement() == facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL {
		size.X += sx / 2
	}
	return sx, size
}

// MapPNG draws the parameters of a correction map beside each other, defective pixels in red.
func MapPNG(m *facetdv1.CorrectionMap) ([]byte, error) {
	panels, bad, err := panelsOf(m)
	if err != nil {
		return nil, err
	}
	sx, size := mapScale(m)
	title := m.GetId() + "  view " + m.GetView()
	cell := size.X
	for _, p := range panels {
		cell = max(cell, textWidth(p.title), textWidth(p.rangeText()))
	}
	cell += 2 * sheetGap
	img := image.NewNRGBA(image.Rect(0, 0, max(len(panels)*cell, textWidth(title)+2*sheetGap)+sheetGap,
		size.Y+4*lineSkip+2*sheetGap))
	fill(img, img.Rect, color.Gray{Y: paper})
	text(img, image.Pt(sheetGap, sheetGap), title)
	top := sheetGap + lineSkip
	for i, p := range panels {
		text(img, image.Pt(sheetGap+i*cell, top+size.Y+6), p.title)
		text(img, image.Pt(sheetGap+i*cell, top+size.Y+6+lineSkip), p.rangeText())
	}
	for i, p := range panels {
		p.draw(img, image.Pt(sheetGap+i*cell, top), m, bad, sx, sx)
	}
	var out bytes.Buffer
	err = png.Encode(&out, img)
	return out.Bytes(), err
}

// Layout of a correction map's drawing, in pixels.
const (
	svgMargin = 24
	svgLine   = 20
	svgTable  = 820
)

// MapSVG draws the parameters of a correction map beside each other, with the table and a chart of
// what it leaves at each level.
func MapSVG(m *facetdv1.CorrectionMap) ([]byte, error) {
	panels, bad, err := panelsOf(m)
	if err != nil {
		return nil, err
	}
	sx, size := mapScale(m)
	cell := max(size.X, 230) + svgMargin
	width := max(len(panels)*cell, svgTable) + 2*svgMargin
	height := 2*svgMargin + size.Y + (9+len(m.GetLevels()))*svgLine
	d := svg.New("correction", "Correction map "+m.GetId(), float64(width), float64(height))
	onLight, _ := tokens.Style(svgStyle) // the pictures within are of one ground
	d.Style(onLight, "")
	d.Rect("page", 0, 0, float64(width), float64(height))
	y := svgMargin + svgLine
	line := func(x int, class, format string, args ...any) {
		d.Text(class, float64(x), float64(y), fmt.Sprintf(format, args...))
	}
	line(svgMargin, "t", "Correction map %s", m.GetId())
	y += svgLine
	line(svgMargin, "s", "chip %s, class %s, view %s; %s", m.GetChip(), m.GetChipClass(), m.GetView(), methodText(m))
	y += svgLine
	line(svgMargin, "s", "made %s; %d of %d pixels defective (red)",
		m.GetCreateTime().AsTime().Format("2006-01-02 15:04 MST"), m.GetDefectivePixels(), m.GetRows()*m.GetColumns())
	y += svgLine
	for i, p := range panels {
		img := image.NewNRGBA(image.Rect(0, 0, size.X, size.Y))
		p.draw(img, image.Point{}, m, bad, sx, sx)
		var data bytes.Buffer
		if err := png.Encode(&data, img); err != nil {
			return nil, err
		}
		d.Put(`<image x="%v" y="%v" width="%v" height="%v" href="data:image/png;base64,%v"/>`+"\n", svgMargin+i*cell, y,
			size.X, size.Y, base64.StdEncoding.EncodeToString(data.Bytes()))
	}
	y += size.Y + svgLine
	for i, p := range panels {
		line(svgMargin+i*cell, "h", "%s", p.title)
	}
	y += svgLine
	for i, p := range panels {
		line(svgMargin+i*cell, "s", "%s", p.rangeText())
	}
	y += 2 * svgLine
	residualTable(d, m, y)
	return d.Bytes(), nil
}

const svgStyle = `
	text{font-family:sans-serif;fill:var(--ink)}
	.page{fill:var(--surface)}
	.t{font-size:17px;font-weight:600}
	.h{font-size:13px;font-weight:600}
	.s{font-size:13px}
	.n{font-size:13px;font-variant-numeric:tabular-nums}
	.before{fill:var(--series-3)}
	.after{fill:var(--series-1)}
	.noise{stroke:var(--series-2);stroke-width:2}
`

func methodText(m *facetdv1.CorrectionMap) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(m.GetMethod().String(), "CALIBRATION_METHOD_"), "_",
		" "))
}

// residualTable writes a line for each level: the fixed pattern before and after, as
// numbers and as bars over the temporal noise.
func residualTable(d *svg.Drawing, m *facetdv1.CorrectionMap, top int) {
	columns := []struct {
		name string
		x    float64
	}{{"light (lux)", 90}, {"mean", 165}, {"noise", 235}, {"before", 310}, {"after", 380}, {"after (mV)", 465}}
	y := float64(top)
	for _, c := range columns {
		d.Text("h end", svgMargin+c.x, y, c.name)
	}
	const bars = svgMargin + 490
	d.Text("h", bars, y, "before, after (dark); line: noise of a frame")
	most := 1e-9
	for _, l := range m.GetLevels() {
		most = max(most, l.GetBeforeCodes(), l.GetAfterCodes(), l.GetNoiseCodes())
	}
	scale := 250 / most
	for _, l := range m.GetLevels() {
		y += svgLine
		lux := fmt.Sprintf("%.4g", l.GetLux())
		switch {
		case l.Lux == nil:
			lux = "unknown"
		case l.GetLux() == 0:
			lux = "dark"
		}
		left, below := l.GetAfterCodes(), ""
		if left < l.GetFloorCodes() {
			left, below = l.GetFloorCodes(), "<"
		}
		for i, v := range []string{lux, fmt.Sprintf("%.1f", l.GetMeanCodes()), fmt.Sprintf("%.2f", l.GetNoiseCodes()),
			fmt.Sprintf("%.2f", l.GetBeforeCodes()), below + fmt.Sprintf("%.2f", left),
			below + fmt.Sprintf("%.3f", 1e3*left*m.GetVoltsPerCode())} {
			d.Text("n end", svgMargin+columns[i].x, y, v)
		}
		d.Rect("before", bars, y-10, l.GetBeforeCodes()*scale, 11)
		d.Rect("after", bars, y-7, left*scale, 5)
		noise := bars + l.GetNoiseCodes()*scale
		d.Line("noise", noise, y-13, noise, y+4)
	}
	d.Text("s", svgMargin, y+svgLine+4, "fixed pattern: standard deviation over the good pixels, in codes; < is "+
		"what averaged noise can hide")
}
