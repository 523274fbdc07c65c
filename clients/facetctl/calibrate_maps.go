package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/clients/facetctl/internal/picture"
)

func clock(t *timestamppb.Timestamp) string {
	if t == nil {
		return "-"
	}
	return t.AsTime().Format("2006-01-02 15:04:05 MST")
}

// writeResiduals is the table of what correction maps leave, a line for each level.
func writeResiduals(w io.Writer, cmaps []*facetdv1.CorrectionMap) error {
	t := cli.NewTable("MAP", "VIEW", "METHOD", ">DEFECTS", ">LIGHT", ">MEAN", ">NOISE", ">BEFORE", ">AFTER", ">BEFORE",
		">AFTER", ">DECADES").Merged(4)
	for _, m := range cmaps {
		id, view, method, defects := m.GetId(), m.GetView(), cli.Label(m.GetMethod(), "CALIBRATION_METHOD_"),
			fmt.Sprint(m.GetDefectivePixels())
		for _, l := range m.GetLevels() {
			left, below := leftCodes(l)
			decades := "-"
			if slope := m.GetCodesPerDecade(); slope > 0 {
				decades = below + fmt.Sprintf("%.4f", left/slope)
			}
			t.Row(id, view, method, defects, mapLux(l), codesText(l.GetMeanCodes()), codesText(l.GetNoiseCodes()),
				codesText(l.GetBeforeCodes()), below+codesText(left), cli.Volts(l.GetBeforeVolts()),
				below+cli.Volts(left*m.GetVoltsPerCode()), decades)
		}
	}
	if err := t.Write(w); err != nil {
		return err
	}
	for _, m := range cmaps {
		for _, l := range m.GetLevels() {
			if l.GetLeftOut() {
				fmt.Fprintf(w, "%s was made without the level of %s, at which %d pixels saturate\n", m.GetId(),
					mapLux(l), l.GetSaturatedPixels())
			}
		}
	}
	if slices.ContainsFunc(cmaps, func(m *facetdv1.CorrectionMap) bool { return len(m.GetLevels()) == 1 }) {
		fmt.Fprintln(w, "by one level a pixel that is stuck where the others are there passes for a good\n"+
			"one: a map of two or more levels (--method offset-gain) names it")
	}
	_, err := fmt.Fprintln(w, "fixed pattern before and after (standard deviation), mean and temporal noise of a "+
		"frame in codes;\nDECADES is what is left in decades of light; < is what averaged noise can hide")
	return err
}

// leftCodes is the fixed pattern after the correction in codes; what averaged noise hides is
// said to be below that.
func leftCodes(l *facetdv1.CorrectionMapLevel) (codes float64, below string) {
	if l.GetAfterCodes() < l.GetFloorCodes() {
		return l.GetFloorCodes(), "<"
	}
	return l.GetAfterCodes(), ""
}

func (a *app) calibrateListCommand() *cobra.Command {
	var chip string
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the active correction maps, and files that were refused",
		Example: `  facetctl calibrate list
  facetctl calibrate list --chip wall-00 --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := allMaps(ctx, c, chip)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				return writeMaps(cmd.OutOrStdout(), r)
			})
		},
	}
	cmd.Flags().StringVar(&chip, "chip", "", "only correction maps of this chip")
	return cmd
}

func writeMaps(w io.Writer, r *facetdv1.ListCorrectionMapsResponse) error {
	t := cli.NewTable("MAP", "STATE", ">AGE", "VIEW", "SETTINGS", "METHOD", ">LEVELS", ">DEFECTS", ">DIE", ">LEFT")
	for _, m := range r.GetCorrectionMaps() {
		left, below := 0.0, ""
		for _, l := range m.GetLevels() {
			if codes, hidden := leftCodes(l); codes > left {
				left, below = codes, hidden
			}
		}
		kelvin := "-"
		if k := m.GetDieKelvin(); m.DieKelvin != nil {
			kelvin = fmt.Sprintf("%.0f K", k)
		}
		t.Row(m.GetId(), cli.Label(m.GetState(), "CORRECTION_MAP_STATE_"), cli.Age(m.GetAge().AsDuration()),
			m.GetView(), settingsText(m.GetSettings()),
			cli.Label(m.GetMethod(), "CALIBRATION_METHOD_"), fmt.Sprint(len(m.GetLevels())),
			fmt.Sprint(m.GetDefectivePixels()), kelvin, below+cli.Volts(left*m.GetVoltsPerCode()))
	}
	if err := t.Write(w); err != nil {
		return err
	}
	for _, f := range r.GetRefused() {
		fmt.Fprintf(w, "refused: %s: %s\n", f.GetFile(), f.GetReason())
	}
	if !r.GetStored() {
		fmt.Fprintln(w, "correction maps are kept in memory alone, and are gone when the daemon ends; "+
			"start it with --data "+
			"DIR to keep them")
	}
	return nil
}

// settingsText is what a correction map is for, in short.
func settingsText(v *facetdv1.ViewSettings) string {
	w := v.GetWindow()
	parts := []string{fmt.Sprintf("%dx%d+%d+%d", w.GetRows(), w.GetColumns(), w.GetRow(), w.GetColumn())}
	if w.GetRowStep() > 1 || w.GetColumnStep() > 1 {
		parts[0] += fmt.Sprintf("/%dx%d", w.GetRowStep(), w.GetColumnStep())
	}
	if n := len(v.GetShares()); n > 0 {
		parts = append(parts, cli.Count(n, "share"))
	}
	if b := v.GetBinning(); b.GetRows() > 1 || b.GetColumns() > 1 {
		parts = append(parts, fmt.Sprintf("bin %dx%d", b.GetRows(), b.GetColumns()))
	}
	if t := v.GetTrim(); t != nil {
		parts = append(parts, fmt.Sprintf("bias %d/%d gain %d offset %d", t.GetPixelBias(), t.GetOutputBias(),
			t.GetGainIndex(), t.GetOffset()))
	}
	if ns := v.GetExposureNs(); ns > 0 {
		parts = append(parts, "exposure "+time.Duration(ns).String())
	}
	return strings.Join(parts, ", ")
}

func (a *app) calibrateShowCommand() *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "show MAP",
		Short: "Show a correction map: what it was made from, what it leaves, and a picture",
		Long: `show prints everything about a correction map. --picture draws it, as FILE.svg with the table of what it
leaves, or as FILE.png: each parameter from black to white over its range, defective pixels
in red. Under --output json the numbers themselves come too.`,
		Example: `  facetctl calibrate show wall-00-1f2e3d4c5b6a
  facetctl calibrate show wall-00-1f2e3d4c5b6a --picture map.svg`,
		Args: cli.Args("MAP"),
		RunE: func(cmd *cobra.Command, args []string) error {
			ext := strings.ToLower(filepath.Ext(file))
			if file != "" && ext != ".svg" && ext != ".png" {
				return cli.Usagef("--picture %q: the name must end in .svg or .png", file)
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.calibration.GetCorrectionMap(ctx,
					&facetdv1.GetCorrectionMapRequest{Id: args[0], Data: file != "" || cli.WantsJSON(cmd)})
				if err != nil {
					return err
				}
				if file != "" {
					if err := drawMap(file, ext, r.GetCorrectionMap()); err != nil {
						return err
					}
					fmt.Fprintf(cmd.ErrOrStderr(), "drew %s\n", file)
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r.GetCorrectionMap())
				}
				return writeMap(cmd.OutOrStdout(), r.GetCorrectionMap())
			})
		},
	}
	cmd.Flags().StringVar(&file, "picture", "", "draw the correction map into FILE.svg or FILE.png")
	return cmd
}

func drawMap(file, ext string, m *facetdv1.CorrectionMap) error {
	draw := picture.MapSVG
	if ext == ".png" {
		draw = picture.MapPNG
	}
	data, err := draw(m)
	if err != nil {
		return err
	}
	return fileio.Write(file, data)
}

func writeMap(w io.Writer, m *facetdv1.CorrectionMap) error {
	line := func(name, format string, args ...any) {
		fmt.Fprintf(w, "%-14s %s\n", name, fmt.Sprintf(format, args...))
	}
	line("map", "%s (%s)", m.GetId(), cli.Label(m.GetState(), "CORRECTION_MAP_STATE_"))
	line("checksum", "SHA-256 %s", m.GetChecksumSha256())
	line("for", "chip %s, class %s, view %s: %s", m.GetChip(), m.GetChipClass(), m.GetView(),
		settingsText(m.GetSettings()))
	line("made", "%s, %s ago", clock(m.GetCreateTime()), cli.Age(m.GetAge().AsDuration()))
	line("method", "%s", cli.Label(m.GetMethod(), "CALIBRATION_METHOD_"))
	if r := m.GetMeanResponse(); r != nil {
		dark := "resolved by the levels for each pixel"
		if !m.GetDarkResolved() {
			dark = "not resolved by the levels for each pixel; add dimmer ones"
		}
		line("mean pixel", "%s codes + %s codes ln(%s lux + x), %s codes per decade; dark term %s",
			cli.Significant(r.GetOffsetCodes()), cli.Significant(r.GetSlopeCodes()),
			cli.Significant(r.GetDarkLux()), cli.Significant(m.GetCodesPerDecade()), dark)
	}
	if k := m.GetDieKelvin(); m.DieKelvin != nil {
		line("die", "%s K", cli.Significant(k))
	}
	line("array", "%s, description %.12s, class %.12s", m.GetArray(), m.GetArrayDigest(), m.GetClassDigest())
	if m.GetUpdatedFrom() != "" {
		line("updated from", "%s", m.GetUpdatedFrom())
	}
	if m.GetNote() != "" {
		line("note", "%s", m.GetNote())
	}
	if m.GetFile() != "" {
		line("file", "%s in the daemon's folder of correction maps", m.GetFile())
	}
	var kinds []string
	for _, d := range m.GetDefects() {
		kinds = append(kinds, fmt.Sprintf("%d %s", d.GetPixels(), cli.Label(d.GetKind(), "DEFECT_KIND_")))
	}
	line("defects", "%d of %d pixels%s", m.GetDefectivePixels(), m.GetRows()*m.GetColumns(),
		strings.Join(append([]string{""}, kinds...), ", "))
	fmt.Fprintln(w)
	return writeResiduals(w, []*facetdv1.CorrectionMap{m})
}

func (a *app) calibrateDeleteCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "delete MAP",
		Short: "Deactivate and delete a correction map, or a file that was refused",
		Example: `  facetctl calibrate delete wall-00-1f2e3d4c5b6a
  facetctl calibrate delete bed-0-0011223344556677.map`,
		Args: cli.Args("MAP"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.calibration.DeleteCorrectionMap(ctx, &facetdv1.DeleteCorrectionMapRequest{Id: args[0]})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%s deleted\n", args[0])
				return nil
			})
		},
	}
}

func (a *app) calibrateUpdateOffsetsCommand() *cobra.Command {
	r := &facetdv1.UpdateOffsetsRequest{}
	cmd := &cobra.Command{
		Use:   "update-offsets [TARGET]",
		Short: "Update the offsets of correction maps from the uniform illumination that is there now",
		Long: `update-offsets takes out how far the pixels have drifted apart since their correction
maps were made, for instance while the array warmed up. One level of uniform illumination
is enough; gains are kept. Without TARGET all active correction maps are updated.
TARGET is ` + targetForm + `.

` + calibrateCautions,
		Example: `  facetctl calibrate update-offsets
  facetctl calibrate update-offsets wall --frames 64 --lux 100`,
		Args: cli.Args("[TARGET]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.stream(cmd, func(ctx context.Context, c *client) error {
				if len(args) > 0 {
					var err error
					if r.Target, err = target(ctx, c, args[0]); err != nil {
						return err
					}
				}
				got, err := c.calibration.UpdateOffsets(ctx, r)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), got)
				}
				if err := writeResiduals(cmd.OutOrStdout(), got.GetCorrectionMaps()); err != nil {
					return err
				}
				writeCautions(cmd.OutOrStdout(), "the light now", got.GetLevel())
				writeFailures(cmd.OutOrStdout(), got.GetFailures())
				return nil
			})
		},
	}
	cmd.Flags().Uint32Var(&r.Frames, "frames", 16, "frames to average, 2 to 4096")
	cli.OptionalFloat64(cmd.Flags(), &r.Lux, "lux", "the light now in lux, where it is known; it need only be uniform")
	cli.OptionalFloat64(cmd.Flags(), &r.DieKelvin, "die-kelvin",
		"temperature of the dies in kelvin as measured (default what the daemon knows)")
	return cmd
}

// mapLux is the light of a level behind a correction map.
func mapLux(l *facetdv1.CorrectionMapLevel) string {
	if l.Lux == nil {
		return "unknown"
	}
	return luxText(l.GetLux())
}
