package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
	"facetd.example/clients/facetctl/internal/parse"
)

func (a *app) tasksCommand() *cobra.Command {
	return cli.Group("tasks", "Add, list, show, set, pause, apply and remove tasks", `  facetctl tasks list
  facetctl tasks add --name look --target wall --rate 10
  facetctl tasks remove look`,
		a.tasksWriteCommand(addTask), a.tasksWriteCommand(changeTask), a.tasksListCommand(), a.tasksShowCommand(),
		a.tasksSetCommand(), a.tasksTriggerCommand(), a.tasksPauseCommand(), a.tasksResumeCommand(),
		a.tasksRemoveCommand(), a.tasksApplyCommand())
}

// viewFlags are the flags that describe a view.
type viewFlags struct {
	binning, window string
	smoothing       uint32
	exposure        time.Duration
}

func (v *viewFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringVar(&v.binning, "binning", "", "join blocks into one pixel: N or ROWSxCOLUMNS, of 1, 2, 4 or 8")
	cmd.Flags().Uint32Var(&v.smoothing, "smoothing", 0, "alternating pair shares along each axis before the binning")
	cmd.Flags().StringVar(&v.window, "window", "", "what is read: "+parse.WindowForm)
	cmd.Flags().DurationVar(&v.exposure, "exposure", 0, "exposure of linear pixels with a shutter (default that of "+
		"their class)")
}

// views returns the one view that the flags describe, or none for a plain one.
func (v *viewFlags) views() ([]*facetdv1.View, error) {
	if v.binning == "" && v.window == "" && v.smoothing == 0 && v.exposure == 0 {
		return nil, nil
	}
	view := &facetdv1.View{SmoothingSteps: v.smoothing}
	var problems []string
	var err error
	if v.binning != "" {
		if view.Binning, err = parse.Binning(v.binning); err != nil {
			problems = append(problems, "--binning: "+err.Error())
		}
	}
	if v.window != "" {
		if view.Window, err = parse.Window(v.window); err != nil {
			problems = append(problems, "--window: "+err.Error())
		}
	}
	if v.exposure != 0 {
		view.Exposure = durationpb.New(v.exposure)
	}
	if len(problems) > 0 {
		return nil, cli.Usagef("%s", strings.Join(problems, "\n"))
	}
	return []*facetdv1.View{view}, nil
}

// taskFlags are the flags that describe a task.
type taskFlags struct {
	name, target               string
	rate                       float64
	deadline, maxHold, maxSkew time.Duration
	interval                   time.Duration
	view                       viewFlags
}

func (f *taskFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.name, "name", "", "name of the task")
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
	f.view.register(cmd)
}

// taskFlagNames are those that only make sense without a file.
var taskFlagNames = []string{"name", "target", "rate", "least-interval", "deadline", "max-hold", "max-skew",
	"binning", "smoothing", "window", "exposure"}

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
	t := &facetdv1.Task{Name: f.name, RateHz: f.rate, Views: views}
	for _, d := range []struct {
		value time.Duration
		to    **durationpb.Duration
	}{{f.interval, &t.LeastInterval}, {f.deadline, &t.Deadline}, {f.maxHold, &t.MaxHold}, {f.maxSkew, &t.MaxSkew}} {
		if d.value != 0 {
			*d.to = durationpb.New(d.value)
		}
	}
	return t, nil
}

// taskWriting is adding tasks or changing them.
type taskWriting struct {
	use, short, long, example string
	verb                      string // of what was done
	replaces                  bool   // running tasks, which must be there
}

var addTask = taskWriting{
	use:   "add [FILE]",
	short: "Add one task from flags, or tasks from a YAML or JSON file",
	long: `add starts a task while the array runs, or says why it does not fit and what would.
FILE (- is standard input) holds one task, or several under "tasks:". Several are
added at once: all of them, or none.`,
	example: `  facetctl tasks add --name look --target bow --rate 25 --binning 2 --max-skew 2ms
  facetctl tasks add --name flash --target bow --least-interval 200ms --deadline 80ms
  facetctl tasks add --name strip --target wall-03 --rate 40 --window 4x40+18+0
  facetctl tasks add tasks.yaml
  echo '{name: look, target: {all: {}}, rate_hz: 2}' | facetctl tasks add -`,
	verb: "added",
}

var changeTask = taskWriting{
	use:   "change [FILE]",
	short: "Replace running tasks by ones of the same names",
	long: `change replaces a running task by one of the same name, whole: what is not given has
its default, not what it had (facetctl tasks show NAME prints a task to start from).
Its jobs go on being counted, and the other tasks lose nothing. When the change does
not fit the task runs on as it was. FILE is as for add.`,
	example: `  facetctl tasks change --name wall --target wall --rate 10 --binning 2
  facetctl tasks show wall | sed 's/rate_hz: .*/rate_hz: 12/' | facetctl tasks change -`,
	verb:     "changed",
	replaces: true,
}

func (a *app) tasksWriteCommand(w taskWriting) *cobra.Command {
	var f taskFlags
	cmd := &cobra.Command{
		Use: w.use, Short: w.short, Long: w.long, Example: w.example,
		Args: cli.Args("[FILE]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			var tasks []*facetdv1.Task
			var err error
			if len(args) == 1 {
				for _, name := range taskFlagNames {
					if cmd.Flags().Changed(name) {
						return cli.Usagef("--%s does not go with a file", name)
					}
				}
				tasks, err = readTasks(cmd.InOrStdin(), args[0])
			} else {
				var t *facetdv1.Task
				t, err = f.task()
				tasks = []*facetdv1.Task{t}
			}
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				if f.target != "" {
					if tasks[0].Target, err = target(ctx, c, f.target); err != nil {
						return err
					}
				}
				return w.write(ctx, cmd, c, tasks)
			})
		},
	}
	f.register(cmd)
	return cmd
}

// written is what the daemon answers to either.
type written interface {
	proto.Message
	GetTask() *facetdv1.RunningTask
	GetEffectiveBusNs() int64
}

// one adds or changes one task.
func (w taskWriting) one(ctx context.Context, c *client, t *facetdv1.Task) (written, error) {
	if w.replaces {
		return c.tasks.UpdateTask(ctx, &facetdv1.UpdateTaskRequest{Task: t})
	}
	return c.tasks.CreateTask(ctx, &facetdv1.CreateTaskRequest{Task: t})
}

// write makes the change; of several tasks all or none.
func (w taskWriting) write(ctx context.Context, cmd *cobra.Command, c *client, tasks []*facetdv1.Task) error {
	if len(tasks) > 1 {
		changes := &facetdv1.TaskChanges{Add: tasks}
		if w.replaces {
			changes = &facetdv1.TaskChanges{Update: updatesOf(tasks)}
		}
		return applyChanges(ctx, cmd, c, changes)
	}
	r, err := w.one(ctx, c, tasks[0])
	if err != nil {
		return err
	}
	if cli.WantsJSON(cmd) {
		return cli.WriteJSONLine(cmd.OutOrStdout(), r)
	}
	return writeActive(cmd.OutOrStdout(), w.verb, r.GetTask(), r.GetEffectiveBusNs())
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
