package main

import (
	"context"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) tasksApplyCommand() *cobra.Command {
	var remove []string
	var prune, preview bool
	var revision uint64
	cmd := &cobra.Command{
		Use:   "apply [FILE]...",
		Short: "Add, change and remove several tasks at once, or none of them",
		Long: `apply adds the tasks of the files that do not run, changes those that run otherwise, and
removes those named with --remove, or with --prune all that are in no file. All of it is
planned together and takes effect at one instant, or nothing changes. With --revision it is
made only where nobody has changed the tasks since that revision, which 'facetctl tasks list'
tells. --preview shows the plan and changes nothing. FILE is as for add.`,
		Example: `  facetctl tasks apply day.yaml
  facetctl tasks apply --prune --preview night.yaml
  facetctl tasks apply faster.yaml --remove comb --remove bed --revision 7`,
		RunE: func(cmd *cobra.Command, files []string) error {
			if len(files)+len(remove) == 0 {
				return cli.Usagef("give a FILE of tasks, or --remove NAME")
			}
			tasks, err := readAllTasks(cmd.InOrStdin(), files)
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				changes, now, err := changesTo(ctx, c, tasks, remove, prune)
				if err != nil {
					return err
				}
				if cmd.Flags().Changed("revision") {
					changes.ExpectedRevision = proto.Uint64(revision)
				}
				switch {
				case len(changes.GetAdd())+len(changes.GetUpdate())+len(changes.GetRemove()) == 0:
					return nothingToApply(cmd, changes, now, preview)
				case preview:
					return previewChanges(ctx, cmd, c, changes)
				}
				return applyChanges(ctx, cmd, c, changes)
			})
		},
	}
	cmd.Flags().StringArrayVar(&remove, "remove", nil, "a running task to remove; may be repeated")
	cmd.Flags().BoolVar(&prune, "prune", false, "remove the running tasks that are in no file")
	cmd.Flags().BoolVar(&preview, "preview", false, "show the plan and change nothing")
	cmd.Flags().Uint64Var(&revision, "revision", 0, "change the tasks only while they have this revision")
	return cmd
}

// readAllTasks reads the tasks of several files.
func readAllTasks(stdin io.Reader, files []string) ([]*facetdv1.Task, error) {
	var all []*facetdv1.Task
	for _, file := range files {
		tasks, err := readTasks(stdin, file)
		if err != nil {
			return nil, err
		}
		all = append(all, tasks...)
	}
	return all, nil
}

// nothingToApply says that the tasks run already as they are given, at a revision.
func nothingToApply(cmd *cobra.Command, changes *facetdv1.TaskChanges, revision uint64, preview bool) error {
	if changes.ExpectedRevision != nil && changes.GetExpectedRevision() != revision {
		return fmt.Errorf("the revision of the tasks is %d by now, not %d; nothing was changed", revision,
			changes.GetExpectedRevision())
	}
	if cli.WantsJSON(cmd) && !preview {
		return cli.WriteJSONLine(cmd.OutOrStdout(), &facetdv1.ApplyTasksResponse{Revision: revision})
	}
	_, err := fmt.Fprintln(cmd.ErrOrStderr(), "the tasks run as the files have them already")
	return err
}

// changesTo are the changes by which tasks come to run as they are given, and the revision that they have now: those
// that run already are left out. What is read of the daemon may be out of date when they are made, which is then
// refused.
func changesTo(ctx context.Context, c *client, tasks []*facetdv1.Task, remove []string, prune bool) (
	*facetdv1.TaskChanges, uint64, error) {
	running, err := allTasks(ctx, c)
	if err != nil {
		return nil, 0, err
	}
	changes := &facetdv1.TaskChanges{}
	for _, t := range tasks {
		i := slices.IndexFunc(running.GetTasks(), func(r *facetdv1.RunningTask) bool {
			return r.GetTask().GetName() == t.GetName()
		})
		switch {
		case i < 0:
			changes.Add = append(changes.Add, t)
		case !proto.Equal(t, running.GetTasks()[i].GetTask()):
			changes.Update = append(changes.Update,
				&facetdv1.TaskUpdate{Task: t, Etag: running.GetTasks()[i].GetEtag()})
		}
	}
	for _, name := range remove {
		changes.Remove = append(changes.Remove, &facetdv1.TaskRemoval{Name: name})
	}
	for _, r := range running.GetTasks() {
		name := r.GetTask().GetName()
		given := slices.ContainsFunc(tasks, func(t *facetdv1.Task) bool { return t.GetName() == name })
		if prune && !given && !slices.Contains(remove, name) {
			changes.Remove = append(changes.Remove, &facetdv1.TaskRemoval{Name: name, Etag: r.GetEtag()})
		}
	}
	return changes, running.GetRevision(), nil
}

func updatesOf(tasks []*facetdv1.Task) []*facetdv1.TaskUpdate {
	out := make([]*facetdv1.TaskUpdate, len(tasks))
	for i, t := range tasks {
		out[i] = &facetdv1.TaskUpdate{Task: t}
	}
	return out
}

// applyChanges makes changes and says what runs with them.
func applyChanges(ctx context.Context, cmd *cobra.Command, c *client, changes *facetdv1.TaskChanges) error {
	r, err := c.tasks.ApplyTasks(ctx, &facetdv1.ApplyTasksRequest{Changes: changes})
	if err != nil {
		return err
	}
	out := cmd.OutOrStdout()
	if cli.WantsJSON(cmd) {
		return cli.WriteJSONLine(out, r)
	}
	for i, t := range r.GetTasks() {
		verb := "added"
		if i >= len(changes.GetAdd()) {
			verb = "changed"
		}
		if err := writeActive(out, verb, t, r.GetEffectiveBusNs()); err != nil {
			return err
		}
	}
	for _, gone := range changes.GetRemove() {
		if _, err := fmt.Fprintf(out, "removed %s at bus time %s\n", gone.GetName(),
			cli.NS(r.GetEffectiveBusNs())); err != nil {
			return err
		}
	}
	for _, s := range r.GetShifts() {
		if _, err := fmt.Fprintf(out, "the releases of %s move by %s, now at %s Hz\n", s.GetTask(),
			cli.NS(s.GetShiftNs()), cli.Significant(s.GetPlannedRateHz())); err != nil {
			return err
		}
	}
	_, err = fmt.Fprintf(out, "the tasks have revision %d\n", r.GetRevision())
	return err
}

// writeActive says that a task runs.
func writeActive(w io.Writer, verb string, t *facetdv1.RunningTask, since int64) error {
	_, err := fmt.Fprintf(w, "%s %s: %s, active since bus time %s\n", verb, t.GetTask().GetName(), planned(t),
		cli.NS(since))
	return err
}

// planned is what a task asked for and has.
func planned(r *facetdv1.RunningTask) string {
	t, s := r.GetTask(), r.GetStatus()
	if t.GetLeastInterval() != nil {
		return fmt.Sprintf("triggered every %v at most, a job ends %s after its trigger at the latest",
			t.GetLeastInterval().AsDuration(), cli.NS(s.GetPromisedResponseNs()))
	}
	return fmt.Sprintf("asked %s Hz, planned %s Hz", cli.Significant(t.GetRateHz()),
		cli.Significant(s.GetPlannedRateHz()))
}

// previewChanges shows what the plan would be.
func previewChanges(ctx context.Context, cmd *cobra.Command, c *client, changes *facetdv1.TaskChanges) error {
	r, err := c.plan.PreviewPlan(ctx, &facetdv1.PreviewPlanRequest{Changes: changes})
	if err != nil {
		return err
	}
	return writePreview(cmd, r.GetPlan(), false)
}

// writePreview shows a plan, and fails where it is a refusal.
func writePreview(cmd *cobra.Command, plan *facetdv1.Plan, segments bool) error {
	var err error
	if cli.WantsJSON(cmd) {
		err = cli.WriteJSON(cmd.OutOrStdout(), plan)
	} else {
		err = cli.WritePlan(cmd.OutOrStdout(), plan, segments)
	}
	if err == nil && plan.GetRefusal() != nil {
		return cli.ErrReported
	}
	return err
}
