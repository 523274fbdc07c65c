package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/motion"
	"facetd.example/chipmodel/preview"
)

// motionFlags are the flags of motion.
type motionFlags struct {
	first, second, method string
	fov, noise            float64
}

func motionCommand() *cobra.Command {
	f := &motionFlags{}
	cmd := &cobra.Command{
		Use:   "motion --first FILE --second FILE",
		Short: "Tell how far the picture moved between two matrices",
		Long: `motion compares two pictures of one size, JSON matrices (lists of rows of numbers) on a
square lattice, as the daemon compares the frames of a chip, and prints the shift in pixels
with its standard deviations: x is positive where what is seen moves to higher columns, y
where it moves to higher rows. A direction of which the pictures tell nothing has a standard
deviation as large as the picture. Of fewer than five rows only the shift along them is told.

Where nothing is told, no_estimate says why, and the status is 0 as well: flat (no more
texture than noise makes), out of range (the pictures have nothing in common, or it moved by
more than half of their size).

Without --noise, the noise of a pixel is what is left over. --fov is the full angle that the
columns see through a lens that keeps lines straight; angle_x_rad and angle_y_rad are then
by how much what is seen turned about the view point, to the right and down. --method
one-step is the classical estimate, for comparison: central differences of the first
picture, unsmoothed, from where it is.`,
		Example: `  facetd motion --first before.json --second after.json
  facetd motion --first before.json --second after.json --fov 34 --noise 0.5 --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	fl := cmd.Flags()
	fl.StringVar(&f.first, "first", "", "JSON matrix; - is standard input")
	fl.StringVar(&f.second, "second", "", "JSON matrix, later")
	fl.Float64Var(&f.fov, "fov", 0, "full horizontal field of view in degrees, for angles")
	fl.Float64Var(&f.noise, "noise", 0, "standard deviation of the noise of a pixel (default what is left over)")
	fl.StringVar(&f.method, "method", "gradient", "gradient or one-step")
	return cmd
}

// motionAnswer is the output.
type motionAnswer struct {
	NoEstimate string   `json:"no_estimate,omitempty"`
	ShiftX     *float64 `json:"shift_x_px,omitempty"`
	ShiftY     *float64 `json:"shift_y_px,omitempty"`
	ShiftXSD   *float64 `json:"shift_x_sd_px,omitempty"`
	ShiftYSD   *float64 `json:"shift_y_sd_px,omitempty"`
	AngleX     *float64 `json:"angle_x_rad,omitempty"`
	AngleY     *float64 `json:"angle_y_rad,omitempty"`
}

func (f *motionFlags) run(cmd *cobra.Command) error {
	switch {
	case f.first == "" || f.second == "":
		return cli.Usagef("give both pictures: --first FILE --second FILE")
	case f.first == "-" && f.second == "-":
		return cli.Usagef("--first and --second cannot both be standard input")
	case f.method != "gradient" && f.method != "one-step":
		return cli.Usagef("--method %q: use gradient or one-step", f.method)
	case f.noise != 0 && !(f.noise >= 1e-100 && f.noise <= 1e100):
		return cli.Usagef("--noise %g: use 1e-100 to 1e100", f.noise)
	case f.fov != 0 && !(f.fov >= 0.01 && f.fov <= 170):
		return cli.Usagef("--fov %g: use 0.01 to 170 degrees", f.fov)
	}
	first, err := f.matrix(cmd.InOrStdin(), "first", f.first)
	if err != nil {
		return err
	}
	second, err := f.matrix(cmd.InOrStdin(), "second", f.second)
	if err != nil {
		return err
	}
	s := motion.Shape{Rows: first.Rows, Columns: first.Columns}
	m := s.Check()
	if second.Rows != first.Rows || second.Columns != first.Columns {
		m.Add("second", fmt.Sprintf("the matrix is %d x %d, the first %d x %d", second.Rows, second.Columns, first.Rows,
			first.Columns), "give two of one size")
	}
	if len(m) > 0 {
		return &invalidError{"the request", m}
	}
	return f.show(cmd, f.estimate(s, first.Pixels, second.Pixels))
}

// matrix reads a file; what is wrong with it says of which of the two it is.
func (f *motionFlags) matrix(stdin io.Reader, which, name string) (out preview.Matrix, err error) {
	src, err := open(stdin, name, nil, "")
	if err != nil {
		return out, err
	}
	var m invalid.Errors
	if out, m = preview.ParseJSON(src.data); len(m) > 0 {
		for i := range m {
			m[i].Path = strings.TrimSuffix(which+": "+m[i].Path, ": ")
		}
		return out, &invalidError{src.name, m}
	}
	return out, nil
}

func (f *motionFlags) estimate(s motion.Shape, first, second []float64) (out motionAnswer) {
	e := motion.NewEstimator(s, motion.Options{Noise: f.noise})
	var got motion.Estimate
	if f.method == "one-step" {
		got = motion.OneStep(s, first, second, f.noise)
	} else {
		got = e.Estimate(first, second, nil)
	}
	switch got.Refused {
	case motion.Estimated:
	case motion.TooSmall:
		return motionAnswer{NoEstimate: "too small: there are fewer than five pixels in either direction"}
	case motion.Flat:
		return motionAnswer{NoEstimate: "flat: there is no more texture than noise makes"}
	default:
		return motionAnswer{NoEstimate: "out of range: no shift of up to half of the picture makes the two alike"}
	}
	out = motionAnswer{ShiftX: rounded(got.X), ShiftY: rounded(got.Y), ShiftXSD: rounded(math.Sqrt(got.XX)),
		ShiftYSD: rounded(math.Sqrt(got.YY))}
	if f.fov > 0 {
		l := geometry.Lattice{Rows: s.Rows, Columns: s.Columns, PitchXUm: 1, PitchYUm: 1}
		lens := geometry.Lens{HorizontalFOVDeg: f.fov}
		lens.VerticalFOVDeg = lens.Projection.VerticalFOVDeg(f.fov, l)
		right, down := motion.Angles(geometry.New(l, geometry.Mount{}, lens), got.X, got.Y)
		out.AngleX, out.AngleY = rounded(right), rounded(down)
	}
	return out
}

// rounded leaves out what kinds of processors differ in.
func rounded(v float64) *float64 {
	v = math.Round(v*1e12) / 1e12
	return &v
}

func (f *motionFlags) show(cmd *cobra.Command, a motionAnswer) error {
	out := cmd.OutOrStdout()
	if cli.WantsJSON(cmd) {
		return cli.WriteJSONLine(out, a)
	}
	if a.NoEstimate != "" {
		_, err := fmt.Fprintf(out, "no estimate: %s\n", a.NoEstimate)
		return err
	}
	_, err := fmt.Fprintf(out, "right %.4f +- %.4f, down %.4f +- %.4f pixels\n", *a.ShiftX, *a.ShiftXSD, *a.ShiftY,
		*a.ShiftYSD)
	if err == nil && a.AngleX != nil {
		_, err = fmt.Fprintf(out, "right %.5f, down %.5f radians\n", *a.AngleX, *a.AngleY)
	}
	return err
}
