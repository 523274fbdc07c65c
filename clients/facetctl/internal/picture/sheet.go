package picture

import (
	"image"
	"image/color"
	"math"
)

// Grey levels of the contact sheet.
const (
	paper = 24
	ink   = 235
)

const (
	sheetGap  = 8   // pixels between the cells
	frameSide = 128 // what the longer side of a frame is enlarged to, about
	lineSkip  = 15
)

// Cell is one frame on a contact sheet with its captions, a line each.
type Cell struct {
	Frame    *Frame
	Captions []string
}

// Sheet lays frames out in a grid, each enlarged by a whole number and with its
// captions below, under a title. All are drawn with one range, so that they can
// be compared.
func Sheet(title string, cells []Cell, rng Range) *image.Gray {
	var cell image.Point
	captions := 0
	for _, c := range cells {
		sx, sy := enlarge(c.Frame)
		size := c.Frame.size(sx, sy)
		cell.X, cell.Y = max(cell.X, size.X), max(cell.Y, size.Y)
		captions = max(captions, len(c.Captions))
		for _, text := range c.Captions {
			cell.X = max(cell.X, textWidth(text))
		}
	}
	full := image.Pt(cell.X+sheetGap, cell.Y+captions*lineSkip+sheetGap)
	across := max(1, int(math.Round(math.Sqrt(float64(len(cells))*1.5*float64(full.Y)/float64(full.X)))))
	across = min(across, max(1, len(cells)))
	down := (len(cells) + across - 1) / across
	top := sheetGap + lineSkip
	img := image.NewGray(image.Rect(0, 0, max(across*full.X, textWidth(title)+sheetGap)+sheetGap,
		top+down*full.Y+sheetGap))
	fill(img, img.Rect, color.Gray{Y: paper})
	text(img, image.Pt(sheetGap, sheetGap), title)
	for i, c := range cells {
		at := image.Pt(sheetGap+i%across*full.X, top+i/across*full.Y)
		sx, sy := enlarge(c.Frame)
		c.Frame.draw(img, at, sx, sy, rng)
		for line, s := range c.Captions {
			text(img, at.Add(image.Pt(0, cell.Y+4+line*lineSkip)), s)
		}
	}
	return img
}

func enlarge(f *Frame) (sx, sy int) {
	sx = max(1, frameSide/int(max(f.GetRows(), f.GetColumns())))
	return sx, scaled(sx, f.aspect())
}
