package invalid

import "testing"

// TestNames: characters from the Unicode Character Database, version 15 (general category, Bidi_Control,
// Other_Default_Ignorable_Code_Point, Variation_Selector).
func TestNames(t *testing.T) {
	for _, good := range []string{"ring", "wall-eye_2.1", "größe", "左", "שמאל", "é"} {
		if BadName(good) {
			t.Errorf("%q is refused", good)
		}
	}
	for _, bad := range []string{"a b", "a,b", "[a]", "a/b", `a\b`, `a"b`, "a'b", "a\tb", "a\nb", "a\x1b[31mb",
		"a\x7fb",
		"a\u0085b", "a\u009bb", "a\u00a0b", "a\u00adb", "a\u034fb", "a\u061cb", "a\u115fb", "a\u180eb", "a\u200bb",
		"a\u200db",
		"a\u200eb", "a\u2028b", "a\u202eb", "a\u2066b", "a\u2069b", "a\u3164b", "a\ufe0fb", "a\ufeffb", "a\U000e0041b",
		"a\xffb",
		"a\ue000b"} {
		if !BadName(bad) {
			t.Errorf("%q is taken", bad)
		}
	}
	for r, want := range map[rune]bool{'a': false, ' ': false, ',': false, 'ש': false, '\u200d': false, '\n': true,
		'\t':   true,
		'\x1b': true, '\u009b': true, '\u202e': true, '\u2067': true, '\u200f': true, '\u061c': true, '\u2029': true} {
		if Unprintable(r) != want {
			t.Errorf("%q in a text: %v", r, !want)
		}
		if UnprintableBlock(r) != (want && r != '\n' && r != '\t') {
			t.Errorf("%q in a text of several lines: %v", r, UnprintableBlock(r))
		}
	}
}

// TestErrorsAreVisible: what an error says cannot be made to look like something else by what it is about.
func TestErrorsAreVisible(t *testing.T) {
	e := Error{Path: "a\x1b[2J", Message: "m\u202e\nx", Hint: "h\u009b", File: "f\r"}
	if want := `f\r: a\x1b[2J: m\u202e` + "\n" + `x (h\u009b)`; e.String() != want {
		t.Errorf("%q, want %q", e.String(), want)
	}
	if got := Closest("ax", []string{"a\u200bx", "b"}, "chips"); got != "known: b" {
		t.Errorf("%q", got)
	}
}
