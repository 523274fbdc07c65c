package subject

import (
	"regexp"
	"testing"

	"pgregory.net/rapid"
)

// keys are what a bucket takes for a key, by the documentation of the client library (common practice, no source).
var keys = regexp.MustCompile(`^[-/_=a-zA-Z0-9]+$`)

func TestNamesComeBack(t *testing.T) {
	for name, want := range map[string]string{
		"": "=", "crawler-7": "crawler-7", "a.*.>": "a=2E=2A=2E=3E", "=": "=3D", "ä b": "=C3=A4=20b", "a=2E": "a=3D2E",
		"$JS": "=24JS", "_x": "_x",
	} {
		if got := Escape(name); got != want {
			t.Errorf("Escape(%q) is %q, want %q", name, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.OneOf(rapid.String(), rapid.StringOf(rapid.RuneFrom([]rune(".*>= _a\x00\n")))).Draw(t, "name")
		part := Escape(name)
		if !keys.MatchString(part) {
			t.Fatalf("%q becomes %q", name, part)
		}
		if back, err := Unescape(part); err != nil || back != name {
			t.Fatalf("%q becomes %q and then %q: %v", name, part, back, err)
		}
	})
}

func TestOnlyEscapedNamesAreTaken(t *testing.T) {
	for _, part := range []string{"", "=2", "=2e", "=G0", "=41", "a.b", "a*", "a=", ">"} {
		if name, err := Unescape(part); err == nil {
			t.Errorf("%q is taken for %q", part, name)
		}
	}
}

// No name of a robot or a task may reach the subjects of another.
func TestSubjectsStayApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.RuneFrom([]rune("ab.*>=")))
		a, b, x, y := text.Draw(t, "a"), text.Draw(t, "b"), text.Draw(t, "x"), text.Draw(t, "y")
		if (a != b || x != y) && Frame(a, x) == Frame(b, y) {
			t.Fatalf("%q of %q and %q of %q have one subject", x, a, y, b)
		}
	})
}

func TestNamesOfRobots(t *testing.T) {
	long := string(make([]byte, MaxName+1))
	for name, good := range map[string]bool{"": false, "crawler": true, long: false, "\xff": false, "a.*.>": true} {
		if err := CheckName(name); (err == nil) != good {
			t.Errorf("CheckName(%q): %v", name, err)
		}
	}
}
