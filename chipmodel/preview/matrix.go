// Package preview shows what a chip would make of a matrix of voltages or lights: its
// pixels, the sharing of charge under chosen switch patterns, and its noise, without a
// bus, a task or a daemon. It is pure: everything random comes from a seed.
//
// It also reads matrices from JSON, PGM and PNG, and renders input beside result.
package preview

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"

	"facetd.example/api/invalid"
)

// MaxPixels is the size of the largest matrix that is accepted.
const MaxPixels = 4 << 20

// Matrix holds one value per pixel, in volts or lux, row by row.
type Matrix struct {
	Rows, Columns int
	Pixels        []float64
}

// At returns one value; it panics, as a slice does, outside the matrix.
func (m Matrix) At(row, column int) float64 { return m.Pixels[row*m.Columns+column] }

// MarshalJSON writes {"rows":r,"columns":c,"pixels":[[...],...]}.
func (m Matrix) MarshalJSON() ([]byte, error) {
	out := fmt.Appendf(nil, `{"rows":%d,"columns":%d,"pixels":[`, m.Rows, m.Columns)
	for r := range m.Rows {
		if r > 0 {
			out = append(out, ',')
		}
		out = append(out, '[')
		for c := range m.Columns {
			if c > 0 {
				out = append(out, ',')
			}
			v := m.At(r, c)
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, fmt.Errorf("row %d, column %d: %v cannot be written as JSON", r, c, v)
			}
			out = strconv.AppendFloat(out, v, 'g', -1, 64)
		}
		out = append(out, ']')
	}
	return append(out, "]}"...), nil
}

// ParseJSON reads a list of rows of numbers, [[1,2],[3,4]], or what MarshalJSON
// writes. Every ragged row, and the first value of each row that is no finite number,
// is an error of its own, with its row and column counted from 0.
func ParseJSON(data []byte) (Matrix, invalid.Errors) {
	return parseJSON(data, MaxPixels)
}

func parseJSON(data []byte, most int) (Matrix, invalid.Errors) {
	p := matrixParser{dec: json.NewDecoder(bytes.NewReader(data)), most: most}
	p.dec.UseNumber()
	p.document()
	if len(p.m) > 0 {
		return Matrix{}, p.m
	}
	return p.out, nil
}

type matrixParser struct {
	dec  *json.Decoder
	out  Matrix
	m    invalid.Errors
	most int  // values that are taken
	over bool // nothing more can be read
}

const wanted = "give a list of rows of numbers, such as [[1.2,1.3],[1.4,1.5]]"

// token reads on; after an error nothing more is read.
func (p *matrixParser) token() json.Token {
	if p.over {
		return nil
	}
	t, err := p.dec.Token()
	if err != nil {
		p.over = true
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		p.m.Add("", fmt.Sprintf("byte %d: not JSON: %v", p.dec.InputOffset(), err), wanted)
	}
	return t
}

func (p *matrixParser) document() {
	switch p.token() {
	case json.Delim('['):
		p.rows()
	case json.Delim('{'):
		p.object()
	default:
		p.stop("", "the matrix is no list", wanted)
	}
	if p.over {
		return
	}
	if _, err := p.dec.Token(); err != io.EOF {
		p.stop("", fmt.Sprintf("byte %d: something follows the matrix", p.dec.InputOffset()), "give one matrix")
	}
	p.judge()
}

// object reads rows, columns and pixels.
func (p *matrixParser) object() {
	said := map[string]float64{}
	for p.dec.More() && !p.over {
		key, _ := p.token().(string)
		switch key {
		case "pixels":
			if p.token() != json.Delim('[') {
				p.stop("pixels", "the pixels are no list", wanted)
				return
			}
			if p.out.Rows > 0 {
				p.stop("pixels", "given twice", "give it once")
				return
			}
			p.rows()
		case "rows", "columns":
			n, ok := p.token().(json.Number)
			v, err := n.Float64()
			if !ok || err != nil {
				p.stop(key, "not a number", "leave it out")
				return
			}
			said[key] = v
		default:
			p.stop(key, fmt.Sprintf("unknown field %q", key), "known: rows, columns, pixels")
			return
		}
	}
	p.token() // the closing brace
	for key, is := range map[string]int{"rows": p.out.Rows, "columns": p.out.Columns} {
		if n, ok := said[key]; ok && n != float64(is) && !p.over {
			p.m.Add(key, fmt.Sprintf("%g is written, but pixels has %d", n, is), "leave it out")
		}
	}
}

func (p *matrixParser) stop(path, message, hint string) {
	if !p.over {
		p.m.Add(path, message, hint)
	}
	p.over = true
}

// rows reads up to the bracket that closes the list of rows.
func (p *matrixParser) rows() {
	for p.dec.More() && !p.over {
		if p.token() != json.Delim('[') {
			p.stop(fmt.Sprintf("row %d", p.out.Rows), "the row is no list of numbers", wanted)
			return
		}
		p.row(p.out.Rows)
		p.out.Rows++
	}
	p.token()
}

func (p *matrixParser) row(row int) {
	n, told := 0, false
	for p.dec.More() && !p.over {
		number, ok := p.token().(json.Number)
		if p.over {
			return
		}
		v, err := number.Float64()
		where := fmt.Sprintf("row %d, column %d", row, n)
		switch {
		case !ok:
			// After a list or an object, rows and columns would be counted wrongly.
			p.stop(where, "the value is not a number", wanted)
			return
		case err != nil && !told:
			told = true
			p.m.Add(where, fmt.Sprintf("%s is not finite", number), "give values between -1e308 and 1e308")
		}
		if len(p.out.Pixels) >= p.most {
			p.stop(where, "the matrix is too large", fmt.Sprintf("use at most %d values", p.most))
			return
		}
		p.out.Pixels = append(p.out.Pixels, v)
		n++
	}
	p.token()
	if row == 0 {
		p.out.Columns = n
	} else if n != p.out.Columns && !p.over {
		p.m.Add(fmt.Sprintf("row %d", row), fmt.Sprintf("the row has %d values, row 0 has %d", n, p.out.Columns),
			"give rows of one length")
	}
}

func (p *matrixParser) judge() {
	if !p.over && len(p.m) == 0 && len(p.out.Pixels) == 0 {
		p.m.Add("", "the matrix is empty", wanted)
	}
}
