// Package golden compares what tests make with files that are kept, or with -update writes
// the files anew: read the difference before committing it. For tests only.
package golden

import (
	"errors"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/diff"
)

var update = flag.Bool("update", false, "rewrite the files that are kept")

// Check compares a text with a file and shows how they differ.
func Check[Text string | []byte](t testing.TB, path string, got Text) {
	t.Helper()
	if Update(t, path, got) {
		return
	}
	want, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	if err != nil || string(want) != string(got) {
		t.Errorf("%s is not what the code makes; run the test with -update to accept:\n%s", path,
			diff.Diff(path, want, "now", []byte(got)))
	}
}

// Update writes a file with -update, and says so.
func Update[Text string | []byte](t testing.TB, path string, got Text) bool {
	t.Helper()
	if !*update {
		return false
	}
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(got), 0o644)); err != nil {
		t.Fatal(err)
	}
	return true
}
