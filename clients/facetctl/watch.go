package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/picture"
)

func (a *app) framesWatchCommand() *cobra.Command {
	w := &watcher{}
	var tasks, chips []string
	var noPicture, noColor, data bool
	var codes codesWanted
	var interval time.Duration
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "Watch frames arrive: live rates, and pictures in the terminal",
		Long: `watch shows for each task the rate of its frame sets in bus time, response, skew and
hold, and pictures of the first chip of each task, or of the chips named. Pictures
are half blocks in true grey on a terminal and a ramp of characters elsewhere; the
range of codes is stretched and written above each. It goes on until interrupted,
or for --count frame sets; both end it with status 0. Under --output json it prints one frame set a line,
without codes unless --data is given.`,
		Example: `  facetctl frames watch
  facetctl frames watch --chips wall-00,bow-left --interval 200ms
  facetctl frames watch --task bed --count 10 --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if interval < 10*time.Millisecond {
				return cli.Usagef("--interval %s: give 10ms or more", interval)
			}
			if data && !cli.WantsJSON(cmd) {
				return cli.Usagef("--data goes with --output json")
			}
			w.app, w.out, w.chips, w.pictures, w.colour = a, cmd.OutOrStdout(), chips, !noPicture, a.colour(noColor)
			return a.follow(cmd, func(ctx context.Context, c *client) error {
				for _, t := range tasks {
					if err := knownTask(ctx, c, t); err != nil {
						return err
					}
				}
				req := &facetdv1.FollowStart{Overflow: facetdv1.Overflow_OVERFLOW_LATEST,
					Selection: &facetdv1.FrameSelection{Tasks: tasks, Chips: chips, Codes: codes.wanted()}}
				var err error
				if w.ratios, err = pitchRatios(ctx, c); err != nil {
					return err
				}
				for _, chip := range chips {
					if _, known := w.ratios[chip]; !known {
						return fmt.Errorf("no chip is called %q; 'facetctl chips' lists them", chip)
					}
				}
				if cli.WantsJSON(cmd) {
					return w.lines(ctx, c, req, data)
				}
				return w.run(ctx, c, req, interval)
			})
		},
	}
	cmd.Flags().StringSliceVar(&tasks, "task", nil, "tasks to watch (default all)")
	cmd.Flags().StringSliceVar(&chips, "chips", nil, "chips to draw (default the first of each task)")
	cmd.Flags().BoolVar(&noPicture, "no-picture", false, "show rates only")
	cmd.Flags().BoolVar(&noColor, "no-color", false, "draw pictures on a ramp of characters")
	codes.flags(cmd)
	cmd.Flags().BoolVar(&data, "data", false, "print the codes too, under --output json")
	cmd.Flags().DurationVar(&interval, "interval", 500*time.Millisecond, "time between two requests")
	cmd.Flags().Uint64Var(&w.count, "count", 0, "end after this many frame sets (default until interrupted)")
	return cmd
}

// watcher gathers what arrives and draws it at intervals.
type watcher struct {
	app              *app
	out              io.Writer
	chips            []string
	ratios           map[string]float64 // pitch ratios by chip
	pictures, colour bool
	count            uint64 // 0 is no end

	sets    uint64
	dropped uint64
	tasks   []*watched
	shown   bool // something was drawn already
}

// watched is what arrived of one task.
type watched struct {
	name     string
	sets     uint64
	late     uint64
	failed   uint64
	finishes []recentJob // the last few
	last     *facetdv1.FrameSet
	frames   []*picture.Frame // those to draw
}

type recentJob struct {
	job uint64
	at  int64 // finish in bus time
}

// rateWindow is over how many frame sets a rate is taken.
const rateWindow = 32

// rate is the rate of jobs in bus time, over the sets at hand. It counts jobs, not
// sets, so that a set lost on the way does not lower it.
func (t *watched) rate() string {
	first, last := t.finishes[0], t.finishes[len(t.finishes)-1]
	if last.at <= first.at {
		return "-" // one set has no rate
	}
	return cli.Significant(float64(last.job-first.job) / (float64(last.at-first.at) / 1e9))
}

func (w *watcher) add(r *facetdv1.FrameSetDelivery) error {
	fs := r.GetFrameSet()
	i := slices.IndexFunc(w.tasks, func(t *watched) bool { return t.name == fs.GetTask() })
	if i < 0 {
		i = len(w.tasks)
		w.tasks = append(w.tasks, &watched{name: fs.GetTask()})
	}
	t := w.tasks[i]
	w.sets++
	w.dropped = r.GetDroppedTotal()
	t.sets++
	t.last = fs
	t.finishes = append(t.finishes, recentJob{fs.GetJob(), fs.GetFinishBusNs()})
	t.finishes = t.finishes[max(0, len(t.finishes)-rateWindow):]
	if fs.GetLate() {
		t.late++
	}
	if fs.GetFailure() != "" {
		t.failed++
		return nil // its frames may be missing; keep the last whole ones
	}
	if !w.pictures {
		return nil
	}
	t.frames = nil
	for _, f := range fs.GetFrames() {
		if wanted := len(w.chips) > 0 || f.GetChip() == fs.GetFrames()[0].GetChip(); !wanted {
			continue
		}
		frame, err := picture.New(f)
		if err != nil {
			return err
		}
		frame.PitchRatio = w.ratios[f.GetChip()]
		t.frames = append(t.frames, frame)
	}
	return nil
}

// lines prints every frame set as a line of JSON.
func (w *watcher) lines(ctx context.Context, c *client, req *facetdv1.FollowStart, data bool) error {
	err := receive(ctx, c, req, func(r *facetdv1.FrameSetDelivery) (bool, error) {
		if !data {
			r = proto.CloneOf(r)
			for _, f := range r.GetFrameSet().GetFrames() {
				f.Data = nil
			}
		}
		w.sets++
		return w.sets == w.count, cli.WriteJSONLine(w.out, r)
	})
	return ended(ctx, err)
}

// run receives on one goroutine and draws on another, so that a slow terminal
// does not lose frame sets that it would not have shown anyway. The channel holds
// one message: a receiver that waits makes the daemon drop, which is counted.
func (w *watcher) run(ctx context.Context, c *client, req *facetdv1.FollowStart,
	interval time.Duration) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	arrived := make(chan *facetdv1.FrameSetDelivery, 1)
	end := make(chan error, 1)
	go func() {
		end <- receive(ctx, c, req, func(r *facetdv1.FrameSetDelivery) (bool, error) {
			select {
			case arrived <- r:
				return false, nil
			case <-ctx.Done():
				return true, nil
			}
		})
		close(arrived)
	}()
	tick := time.NewTicker(interval)
	defer tick.Stop()
	fresh := false
	for {
		select {
		case r, ok := <-arrived:
			if !ok {
				return w.finish(ctx, fresh, <-end)
			}
			if err := w.add(r); err != nil {
				return err
			}
			fresh = true
			if w.sets == w.count {
				return w.draw()
			}
		case <-tick.C:
			if !fresh {
				continue
			}
			if err := w.draw(); err != nil {
				return err
			}
			fresh = false
		}
	}
}

func (w *watcher) finish(ctx context.Context, fresh bool, err error) error {
	if fresh {
		if err := w.draw(); err != nil {
			return err
		}
	}
	return ended(ctx, err)
}

func (w *watcher) draw() error {
	w.app.repaint(w.out, !w.shown)
	w.shown = true
	var text strings.Builder
	if err := w.compose(&text); err != nil {
		return err
	}
	_, err := io.WriteString(w.out, w.app.fit(text.String()))
	return err
}

// compose writes what is to be seen: a line for each task, and pictures.
func (w *watcher) compose(out io.Writer) error {
	t := cli.NewTable("TASK", ">RATE Hz", ">SETS", ">JOB", ">FRAMES", ">RESPONSE", ">SKEW", ">HOLD", ">LATE", ">FAILED")
	var frames []*picture.Frame
	for _, task := range w.tasks {
		hold := int64(0)
		for _, f := range task.last.GetFrames() {
			hold = max(hold, f.GetHoldNs())
		}
		t.Row(task.name, task.rate(), fmt.Sprint(task.sets), fmt.Sprint(task.last.GetJob()),
			fmt.Sprint(len(task.last.GetFrames())),
			cli.NS(task.last.GetFinishBusNs()-task.last.GetReleaseBusNs()), cli.NS(task.last.GetSkewNs()), cli.NS(hold),
			fmt.Sprint(task.late), fmt.Sprint(task.failed))
		frames = append(frames, task.frames...)
	}
	if err := t.Write(out); err != nil {
		return err
	}
	fmt.Fprintf(out, "%s received, %d dropped on the way\n", cli.Count(int(w.sets), "frame set"), w.dropped)
	if len(frames) == 0 {
		return nil
	}
	_, lines := w.app.size()
	for _, line := range w.app.gallery(frames, w.height(lines-len(w.tasks)-3, len(frames)), w.colour) {
		if _, err := fmt.Fprintln(out, line); err != nil {
			return err
		}
	}
	return nil
}

// height is how many lines a picture may take when n of them share the lines that
// are left: as many as fit beside each other stand in one row.
func (w *watcher) height(left, n int) int {
	columns, _ := w.app.size()
	for rows := 1; ; rows++ {
		h := left/rows - 1
		if h <= 4 {
			return 4
		}
		// A picture is about twice as many characters wide as it has lines.
		if perRow := max(1, columns/(2*h+2)); perRow*rows >= n {
			return min(h, 24)
		}
	}
}
