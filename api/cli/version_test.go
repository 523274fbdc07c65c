package cli

import (
	"bytes"
	"encoding/json"
	"runtime/debug"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// The linker's version goes before the go command's, and that before none.
func TestBuildOf(t *testing.T) {
	info := &debug.BuildInfo{Settings: []debug.BuildSetting{{Key: "vcs.revision", Value: "c0ffee"},
		{Key: "vcs.modified", Value: "true"}}}
	info.Main.Version = "v1.4.0"
	if b := buildOf("2.0.0", info); b.Version != "2.0.0" || b.Revision != "c0ffee" || !b.Modified {
		t.Errorf("%+v", b)
	}
	if b := buildOf(Unstamped, info); b.Version != "v1.4.0" {
		t.Errorf("%+v", b)
	}
	info.Main.Version = "(devel)"
	if b := buildOf(Unstamped, info); b.Version != Unstamped {
		t.Errorf("%+v", b)
	}
	if b := buildOf(Unstamped, nil); b.Version != Unstamped || b.Go == "" {
		t.Errorf("%+v", b)
	}
}

// The version is said for people and for programs.
func TestVersionCommand(t *testing.T) {
	for _, args := range [][]string{{"version"}, {"version", "--output", "json"}} {
		root := &cobra.Command{Use: "x"}
		AddOutputFlag(root)
		root.AddCommand(VersionCommand("x", "2.0.0"))
		var out, errs bytes.Buffer
		status := Execute(t.Context(), root, args, strings.NewReader(""), &out, &errs)
		var b Build
		text := strings.HasPrefix(out.String(), "x 2.0.0 (go")
		object := json.Unmarshal(out.Bytes(), &b) == nil && b.Version == "2.0.0" && b.Go != ""
		if status != StatusOK || errs.Len() > 0 || text != (len(args) == 1) || object != (len(args) == 3) {
			t.Errorf("%v: %d %s %s", args, status, &out, &errs)
		}
	}
}
