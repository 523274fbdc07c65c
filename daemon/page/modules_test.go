package page_test

import (
	"os/exec"
	"path/filepath"
	"testing"

	"facetd.example/api/peertest"
)

// TestModules runs the tests of the modules of arithmetic alone.
func TestModules(t *testing.T) {
	node := peertest.Program(t, "node")
	files, err := filepath.Glob("jstest/*.test.mjs")
	if err != nil || len(files) == 0 {
		t.Fatalf("no tests: %v", err)
	}
	out, err := exec.Command(node, append([]string{"--test"}, files...)...).CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}
