package picture

import (
	"image"
	"image/color"
	"image/draw"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/math/fixed"
)

// face is the font of captions: letters of 7 by 13 pixels for all of ASCII.
var face = basicfont.Face7x13

// textWidth is how many pixels a line of text takes.
func textWidth(s string) int { return font.MeasureString(face, s).Ceil() }

// text writes a line, its upper left corner at a point.
func text(dst draw.Image, at image.Point, s string) {
	d := font.Drawer{Dst: dst, Src: image.NewUniform(color.Gray{Y: ink}), Face: face,
		Dot: fixed.P(at.X, at.Y+face.Ascent)}
	d.DrawString(s)
}

// fill paints a rectangle.
func fill(dst draw.Image, r image.Rectangle, c color.Color) {
	draw.Draw(dst, r, image.NewUniform(c), image.Point{}, draw.Src)
}
