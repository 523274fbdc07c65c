package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
)

// version is set by the linker in a release: -ldflags "-X main.version=1.2.3".
var version = unstamped

// unstamped is the version of a build that was given none.
const unstamped = "dev"

// build is what is known of this binary.
type build struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"`
	Modified bool   `json:"modified,omitempty"`
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

func thisBuild() build {
	info, _ := debug.ReadBuildInfo()
	return buildOf(version, info)
}

// buildOf is the build that the linker called version. A build from the module's cache,
// or from a repository where the go command stamps it, has a version without that.
func buildOf(version string, info *debug.BuildInfo) build {
	b := build{Version: version, Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	if info == nil {
		return b
	}
	if v := info.Main.Version; b.Version == unstamped && v != "" && v != "(devel)" {
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

func versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Show the version of this binary",
		Example: `  facetd version
  facetd version --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			b := thisBuild()
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(), b)
			}
			fmt.Fprintf(cmd.OutOrStdout(), "facetd %s (%s, %s)\n", b.Version, b.Go, b.Platform)
			if b.Revision != "" {
				changed := ""
				if b.Modified {
					changed = ", with changes"
				}
				fmt.Fprintf(cmd.OutOrStdout(), "revision %s%s\n", b.Revision, changed)
			}
			return nil
		},
	}
}
