package cli

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// Unstamped is the version of a build that was given none.
const Unstamped = "dev"

// Build is what is known of this binary.
type Build struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"`
	Modified bool   `json:"modified,omitempty"`
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

// ThisBuild is this program, which the linker called version.
func ThisBuild(version string) Build {
	info, _ := debug.ReadBuildInfo()
	return buildOf(version, info)
}

// buildOf is the build that the linker called version. A build from the module's cache,
// or from a repository where the go command stamps it, has a version without that.
func buildOf(version string, info *debug.BuildInfo) Build {
	b := Build{Version: version, Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	if info == nil {
		return b
	}
	if v := info.Main.Version; b.Version == Unstamped && v != "" && v != "(devel)" {
		b.Version = v
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Revision = s.Value
		case "vcs.modified":
			b.Modified = s.Value == "true"
		}
	}
	return b
}

// VersionCommand shows the version of the program that the linker called version.
func VersionCommand(program, version string) *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Show the version of this binary",
		Example: fmt.Sprintf("  %s version\n  %s version --output json", program, program),
		Args:    Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			b := ThisBuild(version)
			if WantsJSON(cmd) {
				return WriteJSON(cmd.OutOrStdout(), b)
			}
			text := fmt.Sprintf("%s %s (%s, %s)\n", program, b.Version, b.Go, b.Platform)
			if b.Revision != "" {
				text += "revision " + b.Revision
				if b.Modified {
					text += ", with changes"
				}
				text += "\n"
			}
			_, err := fmt.Fprint(cmd.OutOrStdout(), text)
			return err
		},
	}
}
