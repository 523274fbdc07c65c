package safestop

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MaxReason limits the characters of a reason.
const MaxReason = 200

// checkReason says what is wrong with a reason, which is shown to people in terminals, pages and logs; empty where
// nothing is.
func checkReason(s string) string {
	switch {
	case !utf8.ValidString(s):
		return "is not UTF-8"
	case utf8.RuneCountInString(s) > MaxReason:
		return fmt.Sprintf("has %d characters", utf8.RuneCountInString(s))
	}
	if i := strings.IndexFunc(s, hidden); i >= 0 {
		r, _ := utf8.DecodeRuneInString(s[i:])
		return fmt.Sprintf("has the character %U, which does not show as what it is", r)
	}
	return ""
}

// hidden reports characters that end a line, move the cursor, or change the direction of what is written.
func hidden(r rune) bool { return r != ' ' && (!unicode.IsGraphic(r) || unicode.In(r, unicode.Z)) }

// clean makes any text one that checkReason lets through.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if hidden(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	if runes := []rune(s); len(runes) > MaxReason-60 {
		s = string(runes[:MaxReason-60]) + " ..."
	}
	return s
}
