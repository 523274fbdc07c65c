package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
)

func (a *app) tasksCommand() *cobra.Command {
	return cli.Group("tasks", "Add, list, show, set, pause, apply and remove tasks", `  facetctl tasks list
  facetctl tasks add --name look --target wall --rate 10
  facetctl tasks remove look`,
		a.tasksAddCommand(), a.tasksChangeCommand(), a.tasksListCommand(), a.tasksShowCommand(),
		a.tasksSetCommand(), a.tasksTriggerCommand(), a.tasksPauseCommand(), a.tasksResumeCommand(),
		a.tasksRemoveCommand(), a.tasksApplyCommand())
}

// taskFlags are the flags that describe a task.
type taskFlags struct {
	name, target               string
	rate                       float64
	deadline, maxHold, maxSkew time.Duration
	interval, pair             time.Duration
	view                       viewFlags
}

func (f *taskFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.target, "target", "", "chips to read: "+targetForm)
	cmd.Flags().Float64Var(&f.rate, "rate", 0, "jobs per second")
	cmd.Flags().DurationVar(&f.interval, "least-interval", 0,
		"least time between two triggers of a sporadic task, in place of --rate")
	cmd.Flags().DurationVar(&f.deadline, "deadline", 0,
		"a job must be finished this long after its release or trigger (default one period or least interval)")
	cmd.Flags().DurationVar(&f.maxHold, "max-hold", 0,
		"longest time from load to the last conversion (default no limit)")
	cmd.Flags().DurationVar(&f.maxSkew, "max-skew", 0,
		"largest spread of the sampling times in a frame set (default no limit)")
	cmd.Flags().DurationVar(&f.pair, "pair-interval", 0,
		"load and read twice in each job, this far apart, for pairs of frames that motion is told from (default no "+
			"pairs)")
	f.view.register(cmd)
}

// task returns the task without its target, which needs the daemon's array.
func (f *taskFlags) task() (*facetdv1.Task, error) {
	var missing []string
	for _, m := range []struct {
		is   bool
		flag string
	}{{f.name == "", "--name"}, {f.target == "", "--target"}, {f.rate == 0 && f.interval == 0, "--rate"}} {
		if m.is {
			missing = append(missing, m.flag)
		}
	}
	if len(missing) > 0 {
		return nil, cli.Usagef("a task needs %s (or give a FILE)", strings.Join(missing, ", "))
	}
	views, err := f.view.views()
	if err != nil {
		return nil, err
	}
	t := f.times()
	t.Name, t.Views = f.name, views
	return t, nil
}

// times is a task of the rate and the limits that the flags give.
func (f *taskFlags) times() *facetdv1.Task {
	t := &facetdv1.Task{RateHz: f.rate}
	for _, d := range []struct {
		value time.Duration
		to    **durationpb.Duration
	}{{f.interval, &t.LeastInterval}, {f.deadline, &t.Deadline}, {f.maxHold, &t.MaxHold}, {f.maxSkew, &t.MaxSkew},
		{f.pair, &t.PairInterval}} {
		if d.value != 0 {
			*d.to = durationpb.New(d.value)
		}
	}
	return t
}

func (a *app) tasksAddCommand() *cobra.Command {
	var f taskFlags
	cmd := &cobra.Command{
		Use:   "add [FILE]",
		Short: "Add one task from flags, or tasks from a YAML or JSON file",
		Long: `add starts a task while the array runs, or says why it does not fit and what would.
FILE (- is standard input) holds one task, or several under "tasks:". Several are
added at once: all of them, or none.`,
		Example: `  facetctl tasks add --name look --target bow --rate 25 --binning 2 --max-skew 2ms
  facetctl tasks add --name flash --target bow --least-interval 200ms --deadline 80ms
  facetctl tasks add --name strip --target wall-03 --rate 40 --window 4x40+18+0
  facetctl tasks add tasks.yaml
  echo '{name: look, target: {all: {}}, rate_hz: 2}' | facetctl tasks add -`,
		Args: cli.Args("[FILE]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			tasks, err := f.tasks(cmd, args)
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				if f.target != "" {
					if tasks[0].Target, err = target(ctx, c, f.target); err != nil {
						return err
					}
				}
				return addTasks(ctx, cmd, c, tasks)
			})
		},
	}
	cmd.Flags().StringVar(&f.name, "name", "", "name of the task")
	f.register(cmd)
	return cmd
}

// tasks are those of the file, or the one of the flags.
func (f *taskFlags) tasks(cmd *cobra.Command, args []string) ([]*facetdv1.Task, error) {
	if len(args) == 0 {
		t, err := f.task()
		return []*facetdv1.Task{t}, err
	}
	var given []string
	for _, m := range maskOf {
		given = append(given, m.flag)
	}
	for _, name := range append(append([]string{"name"}, given...), viewFlagNames...) {
		if cmd.Flags().Changed(name) {
			return nil, cli.Usagef("--%s describes a task, and %s describes tasks by itself: write it into the file, "+
				"or leave the file out and give the whole task by flags", name, sourceName(args[0]))
		}
	}
	return readTasks(cmd.InOrStdin(), args[0])
}

// sourceName is a file for people.
func sourceName(name string) string {
	if name == "-" {
		return "standard input"
	}
	return name
}

// addTasks makes the change; of several tasks all or none.
func addTasks(ctx context.Context, cmd *cobra.Command, c *client, tasks []*facetdv1.Task) error {
	if len(tasks) > 1 {
		return applyChanges(ctx, cmd, c, &facetdv1.TaskChanges{Add: tasks})
	}
	r, err := c.tasks.CreateTask(ctx, &facetdv1.CreateTaskRequest{Task: tasks[0]})
	if err != nil {
		return err
	}
	if cli.WantsJSON(cmd) {
		return cli.WriteJSONLine(cmd.OutOrStdout(), r)
	}
	return writeActive(cmd.OutOrStdout(), "added", r.GetTask(), r.GetEffectiveBusNs())
}

// readTasks reads a file of one task or a list of tasks.
func readTasks(stdin io.Reader, name string) ([]*facetdv1.Task, error) {
	data, err := readFile(stdin, name)
	if err != nil {
		return nil, err
	}
	if name == "-" {
		name = "stdin"
	}
	list, one := &facetdv1.TaskList{}, &facetdv1.Task{}
	doc := yamlfile.Parse(name, data)
	isList := doc.Has("tasks")
	if isList {
		doc.Message(list)
	} else {
		doc.Message(one)
		list.Tasks = []*facetdv1.Task{one}
	}
	var m invalid.Errors
	if len(list.GetTasks()) == 0 {
		m.Add("tasks", "there is no task in it", "list at least one")
	}
	if m = doc.Errors(m); len(m) > 0 {
		return nil, m
	}
	return list.GetTasks(), nil
}

func readFile(stdin io.Reader, name string) ([]byte, error) {
	if name == "-" {
		return fileio.ReadFrom(stdin, "stdin", yamlfile.MaxBytes)
	}
	return fileio.Read(name, yamlfile.MaxBytes)
}

func (a *app) tasksListCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "List the running tasks",
		Example: `  facetctl tasks list
  facetctl tasks list --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := allTasks(ctx, c)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				if err := writeTasks(cmd.OutOrStdout(), r.GetTasks()); err != nil {
					return err
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "the tasks have revision %d\n", r.GetRevision())
				return err
			})
		},
	}
}

func (a *app) tasksShowCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "show NAME",
		Short: "Show one task as it was asked for, and how it is doing",
		Long: `show prints the task as YAML that 'facetctl tasks add' reads, then its status as
comments.`,
		Example: `  facetctl tasks show wall
  facetctl tasks show wall > wall.yaml`,
		Args: cli.Args("NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.tasks.GetTask(ctx, &facetdv1.GetTaskRequest{Name: args[0]})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r.GetTask())
				}
				return writeTask(cmd.OutOrStdout(), r.GetTask())
			})
		},
	}
}

func writeTask(w io.Writer, r *facetdv1.RunningTask) error {
	text, err := yamlfile.Marshal(r.GetTask())
	if err != nil {
		return err
	}
	var status strings.Builder
	if err := writeTasks(&status, []*facetdv1.RunningTask{r}); err != nil {
		return err
	}
	comments := strings.ReplaceAll(strings.TrimRight(status.String(), "\n"), "\n", "\n# ")
	_, err = fmt.Fprintf(w, "%s# %s\n", text, comments)
	return err
}

func (a *app) tasksRemoveCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "remove NAME",
		Aliases: []string{"rm"},
		Short:   "Stop a task",
		Example: `  facetctl tasks remove look`,
		Args:    cli.Args("NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.tasks.DeleteTask(ctx, &facetdv1.DeleteTaskRequest{Name: args[0]})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "removed %s at bus time %s\n", args[0],
					cli.NS(r.GetEffectiveBusNs()))
				return err
			})
		},
	}
}
