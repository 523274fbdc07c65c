package picture

import (
	"fmt"
	"image"
	"strings"
	"unicode/utf8"

	"golang.org/x/image/draw"
)

// ramp is the grey ramp of plain text, dark to light.
const ramp = " .:-=+*#%@"

// Text draws a frame as lines of text that fit into columns by lines characters:
// with colour as half blocks in true grey, two picture rows a line; without, on a
// ramp of characters.
func Text(f *Frame, rng Range, columns, lines int, colour bool) []string {
	img := fit(f, rng, max(columns, 1), 2*max(lines, 1))
	w, h := img.Rect.Dx(), img.Rect.Dy()
	out := make([]string, 0, (h+1)/2)
	for y := 0; y < h; y += 2 {
		below := min(y+1, h-1)
		var b strings.Builder
		for x := range w {
			top, bottom := img.GrayAt(x, y).Y, img.GrayAt(x, below).Y
			if colour {
				fmt.Fprintf(&b, "\x1b[38;2;%[1]d;%[1]d;%[1]d;48;2;%[2]d;%[2]d;%[2]dm\u2580", top, bottom)
			} else {
				b.WriteByte(ramp[(int(top)+int(bottom))*(len(ramp)-1)/(2*255)])
			}
		}
		if colour {
			b.WriteString("\x1b[0m")
		}
		out = append(out, b.String())
	}
	return out
}

// fit draws a frame as large as whole pixels allow within w by h, or averages it
// down where it is larger.
func fit(f *Frame, rng Range, w, h int) *image.Gray {
	s := 1
	for size := f.size(s+1, scaled(s+1, f.aspect())); size.X <= w && size.Y <= h &&
		s < 8; size = f.size(s+1, scaled(s+1, f.aspect())) {
		s++
	}
	sy := scaled(s, f.aspect())
	full := image.NewGray(image.Rectangle{Max: f.size(s, sy)})
	f.draw(full, image.Point{}, s, sy, rng)
	return shrink(full, w, h)
}

func scaled(s int, aspect float64) int { return max(1, int(float64(s)*aspect+0.5)) }

// shrink averages a picture down until it fits into w by h, keeping its shape.
func shrink(src *image.Gray, w, h int) *image.Gray {
	sw, sh := src.Rect.Dx(), src.Rect.Dy()
	if sw <= w && sh <= h {
		return src
	}
	k := min(float64(w)/float64(sw), float64(h)/float64(sh))
	dw, dh := max(1, int(float64(sw)*k)), max(1, int(float64(sh)*k))
	dst := image.NewGray(image.Rect(0, 0, dw, dh))
	draw.BiLinear.Scale(dst, dst.Rect, src, src.Rect, draw.Src, nil)
	return dst
}

// Block is a picture in text with a caption above it.
type Block struct {
	Caption string
	Lines   []string
	// Width in characters; escape sequences have none.
	Width int
}

// NewBlock draws a frame as a block.
func NewBlock(f *Frame, caption string, rng Range, columns, lines int, colour bool) Block {
	b := Block{Caption: caption, Lines: Text(f, rng, columns, lines, colour)}
	b.Width = utf8.RuneCountInString(caption)
	for _, l := range Text(f, rng, columns, lines, false) {
		b.Width = max(b.Width, len(l))
	}
	return b
}

// Beside lays blocks side by side, as many as fit into a width, then below.
func Beside(blocks []Block, width int) []string {
	var out []string
	for len(blocks) > 0 {
		n, used := 1, blocks[0].Width
		for n < len(blocks) && used+2+blocks[n].Width <= width {
			used += 2 + blocks[n].Width
			n++
		}
		if len(out) > 0 {
			out = append(out, "")
		}
		out = append(out, row(blocks[:n])...)
		blocks = blocks[n:]
	}
	return out
}

func row(blocks []Block) []string {
	height := 0
	for _, b := range blocks {
		height = max(height, len(b.Lines))
	}
	out := make([]string, height+1)
	for i, b := range blocks {
		gap := "  "
		if i == len(blocks)-1 {
			gap = ""
		}
		out[0] += b.Caption + strings.Repeat(" ", b.Width-utf8.RuneCountInString(b.Caption)) + gap
		for y := range height {
			line, shown := "", 0
			if y < len(b.Lines) {
				line = b.Lines[y]
				shown = visible(line)
			}
			out[y+1] += line + strings.Repeat(" ", b.Width-shown) + gap
		}
	}
	for i := range out {
		out[i] = strings.TrimRight(out[i], " ")
	}
	return out
}

// visible counts the characters of a line that take up space: not those of escape sequences, which
// end in "m" here.
func visible(line string) int {
	n, inEscape := 0, false
	for _, r := range line {
		switch {
		case r == '\x1b':
			inEscape = true
		case inEscape:
			inEscape = r != 'm'
		default:
			n++
		}
	}
	return n
}
