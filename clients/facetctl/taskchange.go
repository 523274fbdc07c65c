package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

// maskOf is the field of a task that a flag changes.
var maskOf = []struct{ flag, field string }{
	{"target", "target"}, {"rate", "rate_hz"}, {"least-interval", "least_interval"}, {"deadline", "deadline"},
	{"max-hold", "max_hold"}, {"max-skew", "max_skew"}, {"pair-interval", "pair_interval"},
}

func (a *app) tasksChangeCommand() *cobra.Command {
	var f taskFlags
	var view string
	cmd := &cobra.Command{
		Use:   "change NAME|FILE",
		Short: "Change what the flags name of a running task, or replace tasks by those of a file",
		Long: `change NAME changes one running task: what a flag gives, and nothing else. A time of 0 takes
a limit away. The flags of views change the one view of the task, or that of --view.
change FILE (- is standard input) replaces the running tasks of the same names by those
of the file, whole: what the file leaves out has its default, not what it had.
Their jobs go on being counted, and the other tasks lose nothing. When a change does
not fit the task runs on as it was.`,
		Example: `  facetctl tasks change wall --rate 30
  facetctl tasks change wall --binning 2 --max-skew 0
  facetctl tasks change bow --view spot --gain-index 2 --offset -5
  facetctl tasks show wall | sed 's/rate_hz: .*/rate_hz: 12/' | facetctl tasks change -`,
		Args: cli.Args("NAME|FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			mask := f.mask(cmd)
			if len(mask) == 0 && !f.view.given() {
				if view != "" {
					return cli.Usagef("--view %s says which view to change, but no flag says what of it", view)
				}
				return a.replaceTasks(cmd, args[0])
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := f.change(ctx, c, args[0], view, mask)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSONLine(cmd.OutOrStdout(), r)
				}
				return writeActive(cmd.OutOrStdout(), "changed", r.GetTask(), r.GetEffectiveBusNs())
			})
		},
	}
	f.register(cmd)
	cmd.Flags().StringVar(&view, "view", "", "which view the flags of views change, where the task has several")
	return cmd
}

// replaceTasks replaces running tasks by those of a file.
func (a *app) replaceTasks(cmd *cobra.Command, file string) error {
	tasks, err := readTasks(cmd.InOrStdin(), file)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w (of a running task called %s, say what is to change, such as --rate 10)", err, file)
	}
	if err != nil {
		return err
	}
	return a.call(cmd, func(ctx context.Context, c *client) error {
		if len(tasks) > 1 {
			return applyChanges(ctx, cmd, c, &facetdv1.TaskChanges{Update: updatesOf(tasks)})
		}
		r, err := c.tasks.UpdateTask(ctx, &facetdv1.UpdateTaskRequest{Task: tasks[0]})
		if err != nil {
			return err
		}
		if cli.WantsJSON(cmd) {
			return cli.WriteJSONLine(cmd.OutOrStdout(), r)
		}
		return writeActive(cmd.OutOrStdout(), "changed", r.GetTask(), r.GetEffectiveBusNs())
	})
}

// mask lists the fields that flags give.
func (f *taskFlags) mask(cmd *cobra.Command) []string {
	var fields []string
	for _, m := range maskOf {
		if cmd.Flags().Changed(m.flag) {
			fields = append(fields, m.field)
		}
	}
	return fields
}

// change changes what the flags give of one task. Views are a list, which a mask takes whole: they are read, changed
// and written on the condition that nobody else has changed the task meanwhile.
func (f *taskFlags) change(ctx context.Context, c *client, name, view string, mask []string) (
	*facetdv1.UpdateTaskResponse, error) {
	request := &facetdv1.UpdateTaskRequest{Task: f.times()}
	request.Task.Name = name
	if f.target != "" {
		var err error
		if request.Task.Target, err = target(ctx, c, f.target); err != nil {
			return nil, err
		}
	}
	if f.view.given() {
		now, err := c.tasks.GetTask(ctx, &facetdv1.GetTaskRequest{Name: name})
		if err != nil {
			return nil, err
		}
		request.Task.Views, err = f.view.changed(now.GetTask().GetTask(), view)
		if err != nil {
			return nil, err
		}
		request.Etag = now.GetTask().GetEtag()
		mask = append(mask, "views")
	}
	request.UpdateMask = &fieldmaskpb.FieldMask{Paths: mask}
	return c.tasks.UpdateTask(ctx, request)
}

// changed is the views of a task with one of them as the flags say.
func (v *viewFlags) changed(t *facetdv1.Task, name string) ([]*facetdv1.View, error) {
	if len(t.GetViews()) == 0 && name == "" {
		return v.views()
	}
	var names []string
	var out []*facetdv1.View
	at := -1
	for i, view := range t.GetViews() {
		shown := view.GetName()
		if shown == "" {
			shown = fmt.Sprint("view-", i+1)
		}
		if shown == name || (name == "" && len(t.GetViews()) == 1) {
			at = i
		}
		names, out = append(names, shown), append(out, proto.CloneOf(view))
	}
	switch {
	case at < 0 && name == "":
		return nil, cli.Usagef("the task %s has several views; choose one: --view %s", t.GetName(),
			strings.Join(names, "|"))
	case at < 0 && len(names) == 0:
		return nil, fmt.Errorf("the task %s has one plain view without a name; leave --view out", t.GetName())
	case at < 0:
		return nil, fmt.Errorf("the task %s has no view called %q; it has: %s", t.GetName(), name,
			strings.Join(names, ", "))
	}
	return out, v.apply(out[at])
}
