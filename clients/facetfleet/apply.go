package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
)

// mostAtOnce is up to how many robots a change is made at once; more take waves.
const mostAtOnce = 100

type applyFlags struct {
	robots, absent   []string
	all, desired     bool
	preview, without bool
	waves            []int
	failures         int
	patience, expire time.Duration
	by               string
}

func (a *app) applyCommand() *cobra.Command {
	var f applyFlags
	cmd := &cobra.Command{
		Use:   "apply [FILE]...",
		Short: "Change the tasks of a group of robots: of all that answer, or of none",
		Long: `apply adds the tasks of the files to each robot, changes those that run otherwise, and removes those
named with --remove. Each robot plans the change first; where all can, each makes it if its tasks are still the
same; where one does not, the others take it back. A robot that does not answer is unknown, never unchanged;
without --without-absent nothing is changed then.

Above 100 robots, or with --desired, the state is written down at the hub for each robot, in waves, and each
makes it when it sees it, also one that is away now, until --expire. No further wave begins once more than
--max-failures robots have refused. What was made is then not taken back.
Exit status 0: every robot has made it.`,
		Example: `  facetfleet apply --robot crawler-7 --robot crawler-8 night.yaml
  facetfleet apply --all --preview night.yaml
  facetfleet apply --all --desired --wave 1 --wave 10 --remove comb`,
		RunE: func(cmd *cobra.Command, files []string) error {
			tasks, err := f.tasks(cmd.InOrStdin(), files)
			if err != nil {
				return err
			}
			return a.with(cmd, func(ctx context.Context, c *hub.Conn) error {
				robots, err := f.group(ctx, c)
				if err != nil {
					return err
				}
				o := fleet.ApplyOptions{Robots: robots, Tasks: tasks, Preview: f.preview, WithoutAbsent: f.without,
					By: f.by}
				if f.desired || len(robots) > mostAtOnce && !f.preview {
					return f.inWaves(ctx, cmd, c, o)
				}
				fates, done := fleet.Apply(ctx, c, o)
				return writeFates(cmd, fates, done || f.preview && allPrepared(fates))
			})
		},
	}
	fs := cmd.Flags()
	fs.StringSliceVar(&f.robots, "robot", nil, "a robot; may be repeated")
	fs.BoolVar(&f.all, "all", false, "all robots that the hub knows")
	fs.StringArrayVar(&f.absent, "remove", nil, "a task that is not to be; may be repeated")
	fs.BoolVar(&f.preview, "preview", false, "plan it for each robot and change nothing")
	fs.BoolVar(&f.without, "without-absent", false, "go on without robots that do not answer")
	fs.BoolVar(&f.desired, "desired", false, "write the state down at the hub, in waves")
	fs.IntSliceVar(&f.waves, "wave", []int{1, 10, 100}, "robots in each wave; the last is repeated")
	fs.IntVar(&f.failures, "max-failures", 0, "how many robots may refuse before no further wave begins")
	fs.DurationVar(&f.patience, "patience", 30*time.Second, "how long the robots of a wave may take")
	fs.DurationVar(&f.expire, "expire", 24*time.Hour, "how long a robot that is away may take")
	fs.StringVar(&f.by, "by", a.env("USER"), "by whom")
	return cmd
}

// tasks reads what the tasks are to be.
func (f *applyFlags) tasks(stdin io.Reader, files []string) (*fleetv1.DesiredTasks, error) {
	if len(files)+len(f.absent) == 0 {
		return nil, cli.Usagef("give a FILE of tasks, or --remove NAME")
	}
	if f.all == (len(f.robots) > 0) {
		return nil, cli.Usagef("name robots with --robot, or give --all")
	}
	for _, n := range f.waves {
		if n < 1 {
			return nil, cli.Usagef("--wave %d: give 1 or more", n)
		}
	}
	if len(f.waves) == 0 || f.failures < 0 || f.patience <= 0 || f.expire <= 0 {
		return nil, cli.Usagef("--wave, --max-failures, --patience, --expire: give what is possible")
	}
	d := &fleetv1.DesiredTasks{Absent: f.absent}
	for _, file := range files {
		tasks, err := readTasks(stdin, file)
		if err != nil {
			return nil, err
		}
		d.Tasks = append(d.Tasks, tasks...)
	}
	return d, nil
}

// readTasks reads a file with a list of tasks or with one task; - is the standard input.
func readTasks(stdin io.Reader, name string) ([]*facetdv1.Task, error) {
	data, err := []byte(nil), error(nil)
	if name == "-" {
		name = "stdin"
		data, err = fileio.ReadFrom(stdin, name, yamlfile.MaxBytes)
	} else {
		data, err = fileio.Read(name, yamlfile.MaxBytes)
	}
	if err != nil {
		return nil, err
	}
	list, one := &facetdv1.TaskList{}, &facetdv1.Task{}
	doc := yamlfile.Parse(name, data)
	if doc.Has("tasks") {
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

// group is the robots that are meant, by name.
func (f *applyFlags) group(ctx context.Context, c *hub.Conn) ([]string, error) {
	names := slices.Clone(f.robots)
	if f.all {
		ctx, cancel := context.WithTimeout(ctx, fleet.AnswerWithin)
		defer cancel()
		robots, err := fleet.Robots(ctx, c)
		if err != nil {
			return nil, err
		}
		for _, r := range robots {
			names = append(names, r.GetName())
		}
	}
	slices.Sort(names)
	if names = slices.Compact(names); len(names) == 0 {
		return nil, fmt.Errorf("the hub knows no robot")
	}
	return names, nil
}

func (f *applyFlags) inWaves(ctx context.Context, cmd *cobra.Command, c *hub.Conn, o fleet.ApplyOptions) error {
	if f.preview {
		return cli.Usagef("--preview and --desired: preview asks each robot")
	}
	fates, done, err := fleet.ApplyInWaves(ctx, c, fleet.WaveOptions{ApplyOptions: o, Sizes: f.waves,
		MostFailures: f.failures, Patience: f.patience, Expire: time.Now().Add(f.expire)},
		func(number int, robots []string) {
			fmt.Fprintf(cmd.ErrOrStderr(), "wave %d: %s\n", number, cli.Count(len(robots), "robot"))
		})
	if err != nil && fates == nil {
		return err
	}
	if err != nil { // what became of the robots until then is told all the same
		fmt.Fprintf(cmd.ErrOrStderr(), "facetfleet: %v\n", err)
	}
	return writeFates(cmd, fates, done && err == nil)
}

func allPrepared(fates []*fleet.Fate) bool {
	return !slices.ContainsFunc(fates, func(f *fleet.Fate) bool { return f.Word() != "prepared" })
}

// fateJSON is what became of a robot under --output json.
type fateJSON struct {
	Robot   string `json:"robot"`
	State   string `json:"state"`
	Message string `json:"message,omitempty"`
}

func writeFates(cmd *cobra.Command, fates []*fleet.Fate, done bool) error {
	by := map[string]int{}
	list := make([]fateJSON, len(fates))
	for i, f := range fates {
		list[i] = fateJSON{f.Robot, f.Word(), f.Message}
		by[f.Word()]++
	}
	if cli.WantsJSON(cmd) {
		if err := cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"done": done, "robots": list}); err != nil {
			return err
		}
	} else if err := writeFateTable(cmd.OutOrStdout(), fates, by); err != nil {
		return err
	}
	if !done {
		return cli.ErrReported
	}
	return nil
}

func writeFateTable(w io.Writer, fates []*fleet.Fate, by map[string]int) error {
	t := cli.NewTable("ROBOT", "STATE", ">BUS", "WHY")
	for _, f := range fates {
		bus := ""
		if f.Change != nil && f.Change.GetPlannedUtilization() > 0 {
			bus = cli.Percent(f.Change.GetPlannedUtilization())
		}
		t.Row(printable(f.Robot), f.Word(), bus, cli.Short(printable(f.Message), 100))
	}
	if err := t.Write(w); err != nil {
		return err
	}
	line := cli.Count(len(fates), "robot")
	for _, word := range []string{"unknown", "stuck", "refused", "unchanged", "prepared", "committed"} {
		if by[word] > 0 {
			line += fmt.Sprintf(", %d %s", by[word], word)
		}
	}
	_, err := fmt.Fprintln(w, line)
	return err
}
