package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/clients/facetctl/internal/picture"
)

func (a *app) framesSaveCommand() *cobra.Command {
	s := &saver{}
	var task, capture string
	var view viewFlags
	var count uint64
	cmd := &cobra.Command{
		Use:   "save",
		Short: "Save frames as 16-bit grey PNG, each with its metadata as JSON",
		Long: `save writes the frames of a running task, or of captures, into a directory: of each
frame a PNG of 16-bit grey and a JSON file of all that is known of it. The codes are
kept as they are, so a picture of a 12-bit converter looks dark; --stretch spreads
the codes of a frame set over the full 16 bits for looking at, and the JSON file
says how. --sheet adds a contact sheet of each frame set, with the chips' names. Of a
task with a pair_interval the files of the second frames end in +second.`,
		Example: `  facetctl frames save --task wall --out pictures --count 10
  facetctl frames save --capture bow --binning 2 --out pictures --stretch --sheet`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case (task == "") == (capture == ""):
				return cli.Usagef("give either --task NAME or --capture TARGET")
			case s.dir == "":
				return cli.Usagef("give a directory: --out DIR")
			case count == 0:
				return cli.Usagef("--count 0: give at least 1")
			}
			views, err := view.views()
			if err != nil {
				return err
			}
			if task != "" && views != nil {
				return cli.Usagef("flags of a view, such as --binning and --gain-index, go with --capture; a task " +
					"has its own views")
			}
			if err := os.MkdirAll(s.dir, 0o777); err != nil {
				return fileio.Plain(err)
			}
			s.cmd = cmd
			err = a.stream(cmd, func(ctx context.Context, c *client) (err error) {
				if s.ratios, err = pitchRatios(ctx, c); err != nil {
					return err
				}
				if task != "" {
					return s.fromTask(ctx, c, task, count)
				}
				return s.fromCaptures(ctx, c, capture, views, count)
			})
			if err != nil {
				return err
			}
			return s.report()
		},
	}
	cmd.Flags().StringVar(&task, "task", "", "save frame sets of this task")
	cmd.Flags().StringVar(&capture, "capture", "", "capture this target: "+targetForm)
	cmd.Flags().StringVar(&s.dir, "out", "", "directory to write to; it is made if missing")
	cmd.Flags().Uint64Var(&count, "count", 1, "number of frame sets")
	cmd.Flags().BoolVar(&s.stretch, "stretch", false, "spread the codes of each frame set over the full 16 bits")
	cmd.Flags().BoolVar(&s.sheet, "sheet", false, "write a contact sheet of each frame set, NAME-sheet.png")
	view.register(cmd)
	s.codes.flags(cmd)
	return cmd
}

// saver writes frame sets into a directory.
type saver struct {
	cmd            *cobra.Command
	dir            string
	stretch, sheet bool
	codes          codesWanted
	ratios         map[string]float64 // pitch ratios by chip

	sets  uint64
	files []string
}

func (s *saver) fromTask(ctx context.Context, c *client, task string, count uint64) error {
	if err := knownTask(ctx, c, task); err != nil {
		return err
	}
	req := &facetdv1.FollowStart{Overflow: facetdv1.Overflow_OVERFLOW_QUEUE, QueueLength: 64,
		Selection: &facetdv1.FrameSelection{Tasks: []string{task}, Codes: s.codes.wanted()}}
	err := receive(ctx, c, req, func(r *facetdv1.FrameSetDelivery) (bool, error) {
		if r.GetDropped() > 0 && s.sets > 0 {
			fmt.Fprintf(s.cmd.ErrOrStderr(), "%s lost before job %d: saving is slower than the task\n",
				cli.Count(int(r.GetDropped()), "frame set"), r.GetFrameSet().GetJob())
		}
		err := s.save(r.GetFrameSet(), count)
		return s.sets == count, err
	})
	if err = ended(ctx, err); err == nil && s.sets < count {
		return fmt.Errorf("the stream ended after %d of %d frame sets", s.sets, count)
	}
	return err
}

func (s *saver) fromCaptures(ctx context.Context, c *client, capture string, views []*facetdv1.View,
	count uint64) error {
	t, err := target(ctx, c, capture)
	if err != nil {
		return err
	}
	for s.sets < count {
		r, err := c.frames.CaptureFrames(ctx,
			&facetdv1.CaptureFramesRequest{Target: t, Views: views, Codes: s.codes.wanted()})
		if err != nil {
			return err
		}
		if err := s.save(r.GetFrameSet(), count); err != nil {
			return err
		}
	}
	return nil
}

// sidecar is what is written beside a picture.
type sidecar struct {
	Picture string `json:"picture"`
	// Stretched says which codes became black and white; absent when the picture
	// holds the codes as they are.
	Stretched *stretched `json:"stretched,omitempty"`
	// CodesSHA256 is over the codes as the daemon sent them: row by row, 16 bits
	// each, least significant byte first.
	CodesSHA256 string          `json:"codes_sha256"`
	FrameSet    json.RawMessage `json:"frame_set"`
	Frame       json.RawMessage `json:"frame"`
}

type stretched struct {
	Black uint16 `json:"black_code"`
	White uint16 `json:"white_code"`
}

func (s *saver) save(fs *facetdv1.FrameSet, count uint64) error {
	if fs.GetFailure() != "" {
		fmt.Fprintf(s.cmd.ErrOrStderr(), "job %d failed and is not saved: %s\n", fs.GetJob(), fs.GetFailure())
		return nil
	}
	frames, err := picture.NewSet(fs, s.ratios)
	if err != nil {
		return err
	}
	if len(frames) == 0 {
		return fmt.Errorf("job %d came without frames", fs.GetJob())
	}
	base := fmt.Sprintf("%s-%06d", fileName(fs.GetTask(), "capture"), fs.GetJob())
	if fs.GetTask() == "" {
		// On-demand jobs of different targets may share a number; their start does not.
		base = fmt.Sprintf("capture-%015d", fs.GetStartBusNs())
	}
	set := proto.CloneOf(fs)
	set.Frames = nil
	for _, f := range frames {
		if err := s.frame(base, set, f, frames); err != nil {
			return err
		}
	}
	if s.sheet {
		if err := s.writeSheet(base, fs, frames); err != nil {
			return err
		}
	}
	s.sets++
	fmt.Fprintf(s.cmd.ErrOrStderr(), "saved %d of %s\n", s.sets, cli.Count(int(count), "frame set"))
	return nil
}

// secondOfPair ends the names of the files of second frames of pairs. fileName makes none that have a plus.
const secondOfPair = "+second"

func (s *saver) frame(base string, set *facetdv1.FrameSet, f *picture.Frame, all []*picture.Frame) error {
	name := base + "-" + fileName(f.GetChip(), "chip")
	if f.GetView() != "" {
		name += "-" + fileName(f.GetView(), "view")
	}
	if f.GetSecondOfPair() { // the first has the same chip and view
		name += secondOfPair
	}
	sum := sha256.Sum256(f.GetData())
	side := sidecar{Picture: name + ".png", CodesSHA256: hex.EncodeToString(sum[:])}
	var rng *picture.Range
	if s.stretch {
		r := picture.FullRange(all...)
		rng, side.Stretched = &r, &stretched{r.Low, r.High}
	}
	if err := s.png(name+".png", f.Gray16(rng)); err != nil {
		return err
	}
	bare := proto.CloneOf(f.Frame)
	bare.Data = nil
	var err error
	if side.FrameSet, err = cli.Raw(set); err != nil {
		return err
	}
	if side.Frame, err = cli.Raw(bare); err != nil {
		return err
	}
	return s.write(name+".json", func(out io.Writer) error { return cli.WriteJSON(out, side) })
}

func (s *saver) writeSheet(base string, fs *facetdv1.FrameSet, frames []*picture.Frame) error {
	rng := picture.AutoRange(frames...)
	task := fs.GetTask()
	if task == "" {
		task = "capture"
	}
	title := fmt.Sprintf("%s job %d at %.6f s  codes %d to %d", task, fs.GetJob(), float64(fs.GetReleaseBusNs())/1e9,
		rng.Low, rng.High)
	var cells []picture.Cell
	for _, f := range frames {
		captions := []string{f.GetChip()}
		if f.GetView() != "" {
			captions = append(captions, fmt.Sprintf("%s %dx%d", f.GetView(), f.GetRows(), f.GetColumns()))
		}
		if f.GetSecondOfPair() {
			captions = append(captions, "second of pair")
		}
		cells = append(cells, picture.Cell{Frame: f, Captions: captions})
	}
	return s.png(base+"-sheet.png", picture.Sheet(title, cells, rng))
}

func (s *saver) png(name string, img image.Image) error {
	return s.write(name, func(out io.Writer) error { return png.Encode(out, img) })
}

func (s *saver) write(name string, content func(io.Writer) error) error {
	path := filepath.Join(s.dir, name)
	if err := fileio.WriteWith(path, content); err != nil {
		return err
	}
	s.files = append(s.files, path)
	return nil
}

func (s *saver) report() error {
	if cli.WantsJSON(s.cmd) {
		return cli.WriteJSON(s.cmd.OutOrStdout(), map[string]any{"frame_sets": s.sets, "files": s.files})
	}
	_, err := fmt.Fprintf(s.cmd.OutOrStdout(), "%s, %s in %s\n", cli.Count(int(s.sets), "frame set"),
		cli.Count(len(s.files), "file"), s.dir)
	return err
}

// fileName makes a name of the array safe as part of a file's name. Different
// names stay different.
func fileName(name, otherwise string) string {
	var b strings.Builder
	for i, c := range []byte(name) {
		switch {
		case c == '-' || c == '_' || c == '.' && i > 0 || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' &&
			c <= 'Z':
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	if b.Len() == 0 {
		return otherwise
	}
	return b.String()
}
