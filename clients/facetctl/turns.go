package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/bench"
	"facetd.example/clients/go/facet"
)

const turnsForm = `A turn is yaw (to the left), pitch (upward) or roll (over the right side), each about the axis of
the body as the array file has it, and with :RATE in degrees a second where that is known and even,
as on a turntable: yaw:15, yaw:-15. Turn about the middle of the body, with all that is seen far
away beside its size, under light with texture; so fast that pictures move by one to three pixels
from frame to frame, and by more than a field of view in all: what one picture does to an estimate
stays in it otherwise. Frames must be corrected ('facetctl calibrate run').`

// turnsAid gathers what chips tell of turns of the body.
type turnsAid struct {
	words []string
	chips []string
	count uint64
	svg   string
	turns []bench.BodyTurn
	in    *bufio.Reader
	ask   io.Writer
}

func (t *turnsAid) flags(cmd *cobra.Command, turns ...string) {
	cmd.Flags().StringSliceVar(&t.words, "turns", turns,
		"turns to make: yaw, pitch, roll, with :RATE in degrees a second")
	cmd.Flags().StringSliceVar(&t.chips, "chips", nil, "chips to look at (default all of the task)")
	cmd.Flags().Uint64Var(&t.count, "count", 40, "estimates of each turn")
	cmd.Flags().StringVar(&t.svg, "svg", "", "file to draw the fields of view into")
}

// check reads the turns; rates says that they must be known.
func (t *turnsAid) check(cmd *cobra.Command, rates bool) error {
	t.turns = nil
	for _, word := range t.words {
		name, rate, given := strings.Cut(word, ":")
		axis, known := bench.AxisOf(name)
		turn := bench.BodyTurn{Axis: axis, Chips: map[string][]bench.Told{}}
		if !known {
			return cli.Usagef("--turns %s: use yaw, pitch or roll, with :RATE where it is known", word)
		}
		if given {
			v, err := strconv.ParseFloat(rate, 64)
			if err != nil || !(math.Abs(v) >= 0.01 && math.Abs(v) <= 1000) {
				return cli.Usagef("--turns %s: the rate must be 0.01 to 1000 degrees a second, either way", word)
			}
			turn.RateRadPerS = v * math.Pi / 180
		} else if rates {
			return cli.Usagef("--turns %s: give the rate too, as in %s:15", word, name)
		}
		t.turns = append(t.turns, turn)
	}
	if len(t.turns) < 2 {
		return cli.Usagef("--turns: give two turns, about axes that are apart")
	}
	if t.count < 4 {
		return cli.Usagef("--count %d: give 4 or more", t.count)
	}
	t.in, t.ask = bufio.NewReader(cmd.InOrStdin()), cmd.ErrOrStderr()
	return nil
}

// run asks for each turn and takes estimates while it goes on; it returns what the chips tell of their fields.
func (t *turnsAid) run(ctx context.Context, c *client, task string) ([]bench.Field, error) {
	if err := knownTask(ctx, c, task); err != nil {
		return nil, err
	}
	r, err := c.array.GetArray(ctx, &facetdv1.GetArrayRequest{})
	if err != nil {
		return nil, err
	}
	refused := map[string]string{} // by chip, of the last estimate
	for i, word := range t.words {
		fmt.Fprintf(t.ask, "Turn the body: %s. Press Enter while it turns: ", word)
		if _, err := readLine(ctx, t.in); err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		fmt.Fprintln(t.ask)
		n := uint64(0)
		for e, err := range c.daemon.Motion(ctx, facet.MotionOptions{Tasks: []string{task}, Chips: t.chips}) {
			if err != nil {
				return nil, err
			}
			t.add(i, e, refused)
			if n++; n == t.count {
				break
			}
		}
	}
	mounts := map[string]bench.Mount{}
	for _, chip := range r.GetArray().GetChips() {
		m := chip.GetMount()
		mounts[chip.GetName()] = bench.Mount{YawDeg: m.GetYawDeg(), PitchDeg: m.GetPitchDeg(), RollDeg: m.GetRollDeg(),
			PlaceM: [3]float64{m.GetXM(), m.GetYM(), m.GetZM()}}
	}
	told, err := bench.Attitudes(mounts, t.turns)
	if err != nil {
		return nil, err
	}
	var out []bench.Field
	for _, a := range told {
		if a.Why != "" && refused[a.Chip] != "" {
			a.Why += ": " + refused[a.Chip]
		}
		wide, high, straight := fieldOfView(r.GetArray(), a.Chip)
		out = append(out, bench.FieldOf(a, wide, high, straight))
	}
	return out, nil
}

// add takes what the first view of every chip tells.
func (t *turnsAid) add(turn int, e *facetdv1.MotionEstimate, refused map[string]string) {
	seen := map[string]bool{}
	for _, m := range e.GetChips() {
		chip := m.GetChip()
		if seen[chip] {
			continue
		}
		seen[chip] = true
		if _, is := t.turns[turn].Chips[chip]; !is {
			t.turns[turn].Chips[chip] = nil
		}
		if r := m.GetReason(); r != facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED {
			refused[chip] = cli.Label(r, "MOTION_REASON_")
			continue
		}
		p := bench.Told{Job: e.GetJob(), ShiftPx: math.Hypot(m.GetShiftXPx(), m.GetShiftYPx())}
		for i := range 3 {
			p.Rate[i] = m.GetRateRadPerS()[i]
			for k := range 3 {
				p.Information[i][k] = m.GetRateInformation()[3*i+k]
			}
		}
		t.turns[turn].Chips[chip] = append(t.turns[turn].Chips[chip], p)
	}
}

// fieldOfView is what the array file says that a chip sees, in degrees, and whether through a rectilinear lens.
func fieldOfView(a *facetdv1.Array, name string) (wide, high float64, rectilinear bool) {
	for _, chip := range a.GetChips() {
		if chip.GetName() != name {
			continue
		}
		l := chip.GetLens()
		if wide, high = l.GetHorizontalFovDeg(), l.GetVerticalFovDeg(); wide == 0 {
			wide = 40 // as the schema has it
		}
		rectilinear = l.GetProjection() <= facetdv1.Projection_PROJECTION_RECTILINEAR
		for _, class := range a.GetClasses() {
			if class.GetName() != chip.GetClass() || high != 0 {
				continue
			}
			g := class.GetLattice()
			ratio := float64(g.GetRows()) / float64(max(g.GetColumns(), 1))
			if x, y := g.GetPitchXUm(), g.GetPitchYUm(); x > 0 && y > 0 {
				ratio *= y / x
			}
			high = wide * ratio
			if rectilinear {
				high = 360 / math.Pi * math.Atan(math.Tan(wide*math.Pi/360)*ratio)
			}
		}
	}
	return wide, high, rectilinear
}

func (t *turnsAid) draw(cmd *cobra.Command, title string, fields []bench.Field) error {
	var drawing bytes.Buffer
	if err := bench.DrawFields(&drawing, title, fields); err != nil {
		return err
	}
	return writeDrawing(cmd, t.svg, drawing.Bytes())
}

func (a *app) calibrateMountsCommand() *cobra.Command {
	t := &turnsAid{}
	cmd := &cobra.Command{
		Use:   "mounts TASK",
		Short: "Measure how chips are mounted, by known turns of the robot",
		Long: `mounts asks you to turn the body twice, about two axes, and by what each chip of a task tells of the
turns finds how it is really mounted: yaw, pitch and roll with their standard deviations, and the
lines to change in the array file. How fast you turn need not be known: what all chips tell together
is taken for it, so turn all of them. Places of mounts are not measured.
` + turnsForm + `
Chips that tell the same wrong thing, such as of a body that is turned about another axis than you
meant, all come out wrong together: be exact about the axes.`,
		Example: `  facetctl calibrate mounts wall
  facetctl calibrate mounts wall --turns yaw:15,pitch:15 --svg mounts.svg
  facetctl calibrate mounts bow --turns yaw,roll --output json`,
		Args: cli.Args("TASK"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := t.check(cmd, false); err != nil {
				return err
			}
			return a.follow(cmd, func(ctx context.Context, c *client) error {
				fields, err := t.run(ctx, c, args[0])
				if err != nil {
					return err
				}
				if err := t.draw(cmd, "Mounts of "+args[0], fields); err != nil {
					return err
				}
				return showMounts(cmd, fields)
			})
		},
	}
	t.flags(cmd, "yaw", "pitch")
	return cmd
}

// mountFound is an attitude with the line for the array file.
type mountFound struct {
	bench.Attitude
	Changed bool   `json:"changed"`
	Line    string `json:"line,omitempty"`
}

// unlike is the chi squared per degree of freedom above which turns do not explain what a chip told (our choice, no
// source; estimates of chips that only turn stay below 1.5).
const unlike = 4

func showMounts(cmd *cobra.Command, fields []bench.Field) error {
	found := make([]mountFound, len(fields))
	for i := range fields {
		found[i] = mountFound{Attitude: fields[i].Attitude, Changed: fields[i].Changed()}
		if found[i].Changed {
			found[i].Line = fields[i].Line()
		}
	}
	if cli.WantsJSON(cmd) {
		return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"chips": found})
	}
	w := cmd.OutOrStdout()
	table := cli.NewTable("CHIP", ">YAW", ">PITCH", ">ROLL", ">OFF", "VERDICT")
	changed := 0
	for _, f := range found {
		if f.Why != "" {
			table.Row(f.Chip, "-", "-", "-", "-", f.Why)
			continue
		}
		verdict := "as described"
		if f.Changed {
			changed++
			verdict = "mounted otherwise"
		}
		if f.ChiSquared > unlike {
			verdict += fmt.Sprintf(", but what it saw was no such turn (chi squared %.1f)", f.ChiSquared)
		}
		table.Row(f.Chip, plusMinus(f.Measured.YawDeg, f.Sd.YawDeg),
			plusMinus(f.Measured.PitchDeg, f.Sd.PitchDeg), plusMinus(f.Measured.RollDeg, f.Sd.RollDeg),
			plusMinus(f.OffDeg, f.OffSdDeg), verdict)
	}
	if err := table.Write(w); err != nil {
		return err
	}
	fmt.Fprintln(w, "degrees with their standard deviations; OFF is the angle from what the array file has")
	if changed == 0 {
		return nil
	}
	fmt.Fprintln(w, "\nto change in the array file:")
	for _, f := range found {
		if f.Changed {
			fmt.Fprintf(w, "  - name: %s\n    %s\n", f.Chip, f.Line)
		}
	}
	return nil
}

func plusMinus(v, sd float64) string { return fmt.Sprintf("%.2f±%.2f", v, sd) }

func (a *app) benchAxisCommand() *cobra.Command {
	t := &turnsAid{}
	cmd := &cobra.Command{
		Use:   "axis TASK",
		Short: "Measure fields of view and optical axes by two known turns, and how neighbours overlap",
		Long: `axis asks you to turn the body twice at known rates, and by what each chip of a task tells of the
turns finds where its optical axis points, how wide its field of view is, and how far neighbours
overlap, all beside what the array file says. --svg draws the fields on a map of directions.
` + turnsForm,
		Example: `  facetctl bench axis wall --turns yaw:15,pitch:15
  facetctl bench axis bow --turns yaw:10,roll:10 --svg fields.svg --output json`,
		Args: cli.Args("TASK"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := t.check(cmd, true); err != nil {
				return err
			}
			return a.follow(cmd, func(ctx context.Context, c *client) error {
				fields, err := t.run(ctx, c, args[0])
				if err != nil {
					return err
				}
				if err := t.draw(cmd, "Fields of view of "+args[0], fields); err != nil {
					return err
				}
				return showFields(cmd, fields)
			})
		},
	}
	t.flags(cmd, "yaw:15", "pitch:15")
	return cmd
}

func showFields(cmd *cobra.Command, fields []bench.Field) error {
	overlaps := bench.Overlaps(fields)
	if cli.WantsJSON(cmd) {
		return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"chips": fields, "overlaps": overlaps})
	}
	w := cmd.OutOrStdout()
	table := cli.NewTable("CHIP", ">AXIS YAW", ">AXIS PITCH", ">OFF", ">WIDE", ">DESCRIBED", ">SCALE", "VERDICT")
	for _, f := range fields {
		if f.Why != "" {
			table.Row(f.Chip, "-", "-", "-", "-", fmt.Sprintf("%.2f", f.HorizontalDeg), "-", f.Why)
			continue
		}
		verdict := "as described"
		if math.Abs(f.Scale-1) > max(3*f.ScaleSd, 0.02) {
			verdict = fmt.Sprintf("horizontal_fov_deg: %.1f", f.MeasuredHorizontalDeg)
		} else if f.Changed() {
			verdict = "mounted otherwise: 'facetctl calibrate mounts'"
		}
		table.Row(f.Chip, plusMinus(f.Measured.YawDeg, f.Sd.YawDeg), plusMinus(f.Measured.PitchDeg, f.Sd.PitchDeg),
			fmt.Sprintf("%.2f", f.AxisDeg), fmt.Sprintf("%.2f", f.MeasuredHorizontalDeg),
			fmt.Sprintf("%.2f", f.HorizontalDeg), fmt.Sprintf("%.4f±%.4f", f.Scale, f.ScaleSd), verdict)
	}
	if err := table.Write(w); err != nil {
		return err
	}
	fmt.Fprint(w, "degrees; SCALE is the rate told across the axis by the real one\n\n")
	pairs := cli.NewTable("NEIGHBOURS", ">OVERLAP", ">DESCRIBED")
	for _, o := range overlaps {
		pairs.Row(o.Chips[0]+" "+o.Chips[1], fmt.Sprintf("%.2f", o.MeasuredDeg), fmt.Sprintf("%.2f", o.DescribedDeg))
	}
	if err := pairs.Write(w); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, "degrees along the line between two axes; below 0 there is a gap")
	return err
}
