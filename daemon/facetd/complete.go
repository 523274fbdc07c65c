package main

import (
	"github.com/spf13/cobra"

	"facetd.example/api/cli"
)

// complete gives the commands completion for shells.
func complete(root *cobra.Command) {
	yaml := cli.FilesEnding("yaml", "yml")
	serve := map[string]cli.Completer{
		"config": yaml,
		"array":  yaml,
		"tasks":  yaml,
		"pace":   cli.Choices("realtime\tbus time follows the clock", "free\tas fast as the machine can"),
		"bus":    cli.Choices("virtual\tsimulated chips", "replay:\tfiles of a recording, with commas between them"),
		"scene": cli.Choices("uniform:\tthe same light everywhere, in lux", "demo:\tthe culvert of the demo",
			"grating:\tstripes", "panorama:\tan equirectangular picture"),
		"role":       cli.Choices("viewer", "operator"),
		"name":       cli.Choices(),
		"expires":    cli.Choices("90d", "365d"),
		"address":    cli.Choices(cli.DefaultAddress, "unix:\tpath of a socket"),
		"tls-ca":     cli.FilesEnding("pem", "crt"),
		"tls-cert":   cli.FilesEnding("pem", "crt"),
		"tls-key":    cli.FilesEnding("pem", "key"),
		"tls-name":   cli.Choices(),
		"data":       cli.Folders,
		"log-format": cli.Choices("json", "console"),
		"log-level":  cli.Choices("debug", "info", "warn", "error"),
		"output":     cli.Choices("human", "json", "csv"),
		"policy":     cli.Choices("edf\tearliest deadline first", "fixed\tfixed priorities"),
		"listen":     cli.Choices("127.0.0.1:7660"),
		"http":       cli.Choices("127.0.0.1:7661"),
		"method":     cli.Choices("gradient", "one-step"),
		"projection": cli.Choices("rectilinear", "equidistant", "stereographic"),
		"svg":        cli.FilesEnding("svg"),
		"csv":        cli.FilesEnding("csv"),
		"sweep":      cli.Choices("lanes=1,2,4", "bits=8,10,12", "capacitance=10,20,40", "row-time=500ns,2us"),
		"html":       cli.FilesEnding("html"),
		"png":        cli.FilesEnding("png"),
	}
	cli.Complete(root, serve, map[string]cli.Completer{
		"check": cli.First(yaml), "reach": cli.First(yaml), "cover": cli.First(yaml), "map": cli.First(yaml),
		"coverage": cli.First(yaml),
		"plan":     atMost(2, yaml), "explore": atMost(2, yaml), "wire": cli.First(yaml),
		"admit":   cli.First(cli.FilesEnding("yaml", "yml", "json")),
		"recover": cli.FilesEnding("partial", "mcap"),
	})
}

// atMost proposes for the first n arguments.
func atMost(n int, c cli.Completer) cli.Completer {
	return func(cmd *cobra.Command, args []string, toComplete string) ([]string, cobra.ShellCompDirective) {
		if len(args) >= n {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return c(cmd, args, toComplete)
	}
}
