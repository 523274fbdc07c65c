package invalid

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Unprintable reports whether a character may not stand in a text of one line: one that controls a terminal or turns
// the direction of writing could make the line look like another, or like two.
func Unprintable(r rune) bool {
	return unicode.IsControl(r) || unicode.In(r, unicode.Bidi_Control, unicode.Zl, unicode.Zp)
}

// UnprintableBlock is Unprintable for a text of several lines.
func UnprintableBlock(r rune) bool { return r != '\n' && r != '\t' && Unprintable(r) }

// badInName are the characters that names do not have: those that are not seen, that take the place of nothing, and
// those by which notations separate names.
func badInName(r rune) bool {
	return unicode.IsSpace(r) || !unicode.IsGraphic(r) || strings.ContainsRune(",[]{}\"'/\\", r) ||
		unicode.In(r, unicode.Variation_Selector, unicode.Other_Default_Ignorable_Code_Point)
}

// BadName reports whether a text cannot be a name because of its characters: it is no UTF-8, or has a comma, bracket,
// slash, quote, space, or a character that cannot be seen.
func BadName(name string) bool {
	return !utf8.ValidString(name) || strings.ContainsFunc(name, badInName)
}

// What an error says of a name for which BadName holds, and what to do.
const (
	BadNameMessage = "has a comma, bracket, slash, quote, space or a character that cannot be seen"
	BadNameHint    = "use letters, digits, - _ and ."
)

// Visible is a text with every character that could make it look like another written as an escape; line breaks and
// tabs stay.
func Visible(text string) string {
	if !strings.ContainsFunc(text, UnprintableBlock) {
		return text
	}
	var b strings.Builder
	for _, r := range text {
		if UnprintableBlock(r) {
			b.WriteString(strings.Trim(strconv.QuoteRuneToASCII(r), "'"))
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}
