package python

import (
	"flag"
	"testing"
)

// TestNotebook runs the cells of the notebook beside a daemon in lockstep: each does what it did when its outputs were
// written down, to the last digit and picture. With -update they are written anew.
func TestNotebook(t *testing.T) {
	python(t)
	t.Parallel()
	args := []string{"tests/notebook.py", "examples/noise.ipynb"}
	if f := flag.Lookup("update"); f != nil && f.Value.String() == "true" {
		args = append(args, "--update")
	}
	cmd := command(t, args...)
	cmd.Env = append(cmd.Env, "FACETD_ADDRESS="+daemon(t, "--pace", "lockstep", "--scene", "uniform:100"))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}
