package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/parse"
)

// completeLimit is how long a shell waits for the daemon's names.
const completeLimit = time.Second

// complete gives the commands completion for shells. Names come from the daemon, where
// one answers.
func (a *app) complete(root *cobra.Command) {
	tasks, targets, chips := a.named(taskNames), a.named(targetNames), a.named(chipNames)
	blocks := cli.Choices("1", "2", "4", "8")
	cli.Complete(root, map[string]cli.Completer{
		"output":   cli.Choices("human", "json", "csv"),
		"severity": cli.Choices("info", "warning", "error"),
		"task":     tasks, "tasks": tasks, "remove": tasks,
		"chips": chips, "target": targets, "capture": targets,
		"method": cli.Choices("auto", "offset", "offset-gain", "log"), "levels": cli.Choices(),
		"lux":   cli.Choices("dark"),
		"moves": cli.Choices("left", "right", "up", "down"),
		"chip":  chips, "note": cli.Choices(), "picture": cli.FilesEnding("svg", "png"), "svg": cli.FilesEnding("svg"),
		"binning": blocks, "out": cli.Folders, "add": cli.FilesEnding("yaml", "yml", "json"),
		"name": cli.Choices(), "window": cli.Choices(),
		"address": cli.Choices(cli.DefaultAddress, "unix:\tpath of a socket"),
		"tls-ca":  cli.FilesEnding("pem", "crt"), "tls-cert": cli.FilesEnding("pem", "crt"),
		"tls-key": cli.FilesEnding("pem", "key"), "tls-name": cli.Choices(),
	}, map[string]cli.Completer{
		"tasks show": cli.First(tasks), "tasks change": cli.First(tasks),
		"tasks remove": cli.First(tasks), "tasks set": cli.First(tasks),
		"history": tasks, "tasks pause": tasks, "tasks resume": tasks, "tasks trigger": cli.First(tasks),
		"capture": cli.First(targets), "send": cli.First(targets), "cover": cli.First(targets),
		"reach": cli.First(a.named(lineNames)), "record stop": cli.First(a.named(recordingNames)),
		"replay seek":   cli.Choices(),
		"calibrate run": cli.First(targets), "calibrate start": cli.First(targets),
		"calibrate update-offsets": cli.First(targets),
		"calibrate show":           cli.First(a.named(mapNames)), "calibrate delete": cli.First(a.named(mapNames)),
		"calibrate collect": cli.First(a.named(sessionNames)), "calibrate finish": cli.First(a.named(sessionNames)),
		"calibrate abort": cli.First(a.named(sessionNames)),
		"scene set": cli.First(cli.Choices("uniform:\tthe same light everywhere, in lux",
			"demo:\tthe culvert of the demo", "grating:\tstripes")),
		"fault set":   cli.Choices(faultKinds()...),
		"bench focus": cli.First(tasks), "bench flicker": cli.First(tasks), "bench orientation": cli.First(tasks),
	})
}

func faultKinds() (words []string) {
	for kind, form := range parse.FaultKinds() {
		words = append(words, kind+":\t"+form)
	}
	return words
}

// named proposes names that the daemon knows, also within a list with commas. Without
// an answer it proposes nothing, and no error disturbs the command line.
func (a *app) named(ask func(context.Context, *client) ([]string, error)) cli.Completer {
	return func(cmd *cobra.Command, _ []string, toComplete string) ([]string, cobra.ShellCompDirective) {
		var names []string
		err := a.stream(cmd, func(ctx context.Context, c *client) error {
			ctx, cancel := context.WithTimeout(ctx, completeLimit)
			defer cancel()
			var err error
			names, err = ask(ctx, c)
			return err
		})
		if err != nil {
			cobra.CompDebugln(err.Error(), false)
		}
		return cli.Listed(names, toComplete), cobra.ShellCompDirectiveNoFileComp
	}
}

func taskNames(ctx context.Context, c *client) ([]string, error) {
	r, err := allTasks(ctx, c)
	var out []string
	for _, t := range r.GetTasks() {
		often := " at " + cli.Significant(t.GetTask().GetRateHz()) + " Hz"
		if least := t.GetTask().GetLeastInterval(); least != nil {
			often = " triggered every " + least.AsDuration().String() + " at most"
		}
		out = append(out, t.GetTask().GetName()+"\t"+cli.Target(t.GetTask().GetTarget())+often)
	}
	return out, err
}

func chipNames(ctx context.Context, c *client) ([]string, error) {
	r, err := c.array.GetArray(ctx, &facetdv1.GetArrayRequest{})
	var out []string
	for _, chip := range r.GetArray().GetChips() {
		out = append(out, chip.GetName()+"\t"+chip.GetClass())
	}
	return out, err
}

func targetNames(ctx context.Context, c *client) ([]string, error) {
	r, err := c.array.GetArray(ctx, &facetdv1.GetArrayRequest{})
	if err != nil {
		return nil, err
	}
	out := []string{"all\tevery chip"}
	for _, g := range r.GetArray().GetGroups() {
		out = append(out, g.GetName()+"\t"+cli.Count(len(g.GetChips()), "chip"))
	}
	for _, chip := range r.GetArray().GetChips() {
		out = append(out, chip.GetName()+"\t"+chip.GetClass())
	}
	return out, nil
}

func lineNames(ctx context.Context, c *client) ([]string, error) {
	r, err := c.array.GetArray(ctx, &facetdv1.GetArrayRequest{})
	return r.GetArray().GetSelectLines(), err
}

func recordingNames(ctx context.Context, c *client) ([]string, error) {
	r, err := c.record.ListRecordings(ctx, &facetdv1.ListRecordingsRequest{})
	var out []string
	for _, rec := range r.GetRecordings() {
		if rec.GetState() == facetdv1.RecordingState_RECORDING_STATE_RUNNING {
			out = append(out, rec.GetName())
		}
	}
	return out, err
}

func mapNames(ctx context.Context, c *client) ([]string, error) {
	r, err := allMaps(ctx, c, "")
	var out []string
	for _, m := range r.GetCorrectionMaps() {
		out = append(out, m.GetId()+"\t"+m.GetView())
	}
	return out, err
}

func sessionNames(ctx context.Context, c *client) ([]string, error) {
	r, err := allSessions(ctx, c)
	var out []string
	for _, s := range r.GetSessions() {
		out = append(out, s.GetId()+"\t"+describeSession(s))
	}
	return out, err
}
