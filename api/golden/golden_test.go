package golden

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// recorder takes what a test says.
type recorder struct {
	testing.TB
	said string
}

func (r *recorder) Helper()                        {}
func (r *recorder) Errorf(format string, a ...any) { r.said += fmt.Sprintf(format, a...) }

// TestCheck: a difference is shown with the lines around it, equal files say nothing, and
// only -update writes.
func TestCheck(t *testing.T) {
	path := filepath.Join(t.TempDir(), "new", "file.txt")
	check := func(text string) string {
		r := &recorder{TB: t}
		Check(r, path, text)
		return r.said
	}
	if said := check("one\n"); !strings.Contains(said, "+one") {
		t.Errorf("of a file that is not there: %q", said)
	}
	*update = true
	said := check("one\ntwo\nthree\n")
	*update = false
	if data, err := os.ReadFile(path); said != "" || err != nil || string(data) != "one\ntwo\nthree\n" {
		t.Fatalf("%s: %q, %v", said, data, err)
	}
	if said := check("one\ntwo\nthree\n"); said != "" {
		t.Errorf("of the same: %s", said)
	}
	if said := check("one\n2\nthree\n"); !strings.Contains(said, " one\n-two\n+2\n three\n") ||
		!strings.Contains(said, "-update") {
		t.Errorf("of another: %s", said)
	}
}
