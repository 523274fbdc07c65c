package analog

import (
	"fmt"
	"strings"
)

// ParsePattern reads a switch pattern of eight characters 0 and 1, bit 0 first:
// "10101010" is 0x55 and joins cells 0-1, 2-3, ...
func ParsePattern(s string) (uint8, error) {
	if len(s) != 8 {
		return 0, fmt.Errorf("a switch pattern has 8 characters, bit 0 first; %q has %d", s, len(s))
	}
	var p uint8
	for i := range 8 {
		switch s[i] {
		case '1':
			p |= 1 << i
		case '0':
		default:
			return 0, fmt.Errorf("a switch pattern is made of 0 and 1; %q has %q", s, s[i])
		}
	}
	return p, nil
}

// FormatPattern writes a switch pattern in both forms, such as "10101010 (0x55)".
func FormatPattern(p uint8) string {
	var b strings.Builder
	for i := range 8 {
		b.WriteByte('0' + p>>i&1)
	}
	fmt.Fprintf(&b, " (0x%02x)", p)
	return b.String()
}

// BlockPattern closes every switch but the last of each block of 1, 2, 4 or 8 cells:
// 2 is 0x55, 4 is 0x77, 8 is 0x7f.
func BlockPattern(cells int) uint8 {
	var p uint8
	for i := range 8 {
		if i%cells != cells-1 {
			p |= 1 << i
		}
	}
	return p
}

// BlockEnd returns the end (exclusive) of the block of cells that begins at first
// on a line of cells under a pattern.
func BlockEnd(pattern uint8, cells, first int) int {
	end := first + 1
	for end < cells && pattern>>((end-1)&7)&1 == 1 {
		end++
	}
	return end
}
