package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/geometry/design"
)

// lensFlags are the flags of lens.
type lensFlags struct {
	array, chip, projection string
	wavelengthNM            float64
	exposure                time.Duration
	hexagonal               bool
	rowPitch                float64
	request                 design.Request
}

// lensHeight is how many lines of pixels a lattice has of which nothing is said.
const lensHeight = 64

func lensCommand() *cobra.Command {
	f := &lensFlags{}
	cmd := &cobra.Command{
		Use:   "lens [CLASS]",
		Short: "Find the lens for a chip, or tell what a lens shows it",
		Long: `lens goes from pixels and what must be seen to the lens: focal length, image circle,
field, degrees per pixel, light in the corners; with an f-number, or the depth that must be
sharp, also hyperfocal distance, depth of field, the Airy radius against the pixel and what
is left of the finest pattern; with a rate, a speed or an exposure the blur by motion. And
backwards: from a focal length, or from the lens that an array file gives a class, to what
is seen. The lattice is that of CLASS, or --rows, --columns, --pitch and --hexagonal.
Say what must be seen by one of --fov, --focal, --degrees-per-pixel, --width with
--distance, and --detail with --distance; without any, the class's own lens is taken.
--near and --far ask for the f-number and the focus that keep all between them within the
circle. The lens is thin and without errors of its own, but for those of a class's lens.
--array is ` + fileForm + `.`,
		Example: `  facetd lens wall-eye
  facetd lens --rows 32 --columns 32 --pitch 24 --fov 34
  facetd lens --rows 32 --columns 32 --pitch 24 --focal 4 --f-number 2.8 --focus 0.15 --output json
  facetd lens wall-eye --detail 0.002 --distance 0.3 --near 0.1 --far 0.5
  facetd lens wall-eye --fov 34 --speed 0.2 --distance 0.3 --exposure 5ms`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 1 {
				return cli.Usagef("give one class, or none; got %d", len(args))
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.read(cmd, args); err != nil {
				return err
			}
			result, m := design.Find(f.request)
			if len(m) > 0 {
				return &invalidError{"the lens", m}
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(), result)
			}
			return writeLens(cmd.OutOrStdout(), result)
		},
	}
	f.add(cmd)
	return cmd
}

func (f *lensFlags) add(cmd *cobra.Command) {
	fl, r := cmd.Flags(), &f.request
	fl.StringVar(&f.array, "array", "demo", "array file that CLASS is of")
	fl.StringVar(&f.chip, "chip", "", "chip of the class, for its lens (default the first)")
	fl.IntVar(&r.Lattice.Rows, "rows", lensHeight, "rows of the lattice")
	fl.IntVar(&r.Lattice.Columns, "columns", lensHeight, "columns of the lattice")
	fl.Float64Var(&r.Lattice.PitchXUm, "pitch", 10, "column pitch in um")
	fl.Float64Var(&f.rowPitch, "row-pitch", 0, "row pitch in um (default as the column pitch)")
	fl.BoolVar(&f.hexagonal, "hexagonal", false, "odd rows lie half a pitch to the right")
	fl.StringVar(&f.projection, "projection", "rectilinear", "rectilinear, equidistant or stereographic")
	fl.Float64Var(&r.FOVDeg, "fov", 0, "field along a row in degrees, from edge to edge")
	fl.Float64Var(&r.FocalMM, "focal", 0, "focal length in mm")
	fl.Float64Var(&r.DegreesPerPixel, "degrees-per-pixel", 0, "what a pixel is to see on the axis")
	fl.Float64Var(&r.WidthM, "width", 0, "width in m that a row is to cover at --distance")
	fl.Float64Var(&r.DetailM, "detail", 0, "size in m that is to be a pixel at --distance")
	fl.Float64Var(&r.DistanceM, "distance", 0, "distance in m of what is looked at")
	fl.Float64Var(&r.FNumber, "f-number", 0, "f-number of the aperture")
	fl.Float64Var(&r.FocusM, "focus", 0, "distance in m that is in focus (0 is infinity)")
	fl.Float64Var(&r.NearM, "near", 0, "distance in m from which on all must be sharp")
	fl.Float64Var(&r.FarM, "far", 0, "distance in m to which all must be sharp (0 is infinity)")
	fl.Float64Var(&r.CircleUm, "circle", 0, "circle of confusion in um (default the column pitch)")
	fl.Float64Var(&f.wavelengthNM, "wavelength", 550, "wavelength of the light in nm")
	fl.Float64Var(&r.RateDegPerS, "rate", 0, "how fast the lens turns, in degrees a second")
	fl.Float64Var(&r.SpeedMPerS, "speed", 0, "how fast it passes what is at --distance, in m a second")
	fl.DurationVar(&f.exposure, "exposure", 0, "exposure, or time constant of logarithmic pixels")
}

// read puts the request together.
func (f *lensFlags) read(cmd *cobra.Command, args []string) error {
	r := &f.request
	r.WavelengthUm, r.ExposureS = f.wavelengthNM/1000, f.exposure.Seconds()
	switch f.projection {
	case "rectilinear":
	case "equidistant":
		r.Projection = geometry.Equidistant
	case "stereographic":
		r.Projection = geometry.Stereographic
	default:
		return cli.Usagef("--projection %q: use rectilinear, equidistant or stereographic", f.projection)
	}
	wants := false
	for _, flag := range []string{"fov", "focal", "degrees-per-pixel", "width", "detail"} {
		wants = wants || cmd.Flags().Changed(flag)
	}
	if len(args) == 1 {
		for _, flag := range []string{"rows", "columns", "pitch", "row-pitch", "hexagonal"} {
			if cmd.Flags().Changed(flag) {
				return cli.Usagef("--%s: the lattice is that of the class %s", flag, args[0])
			}
		}
		a, err := readArray(cmd.InOrStdin(), f.array)
		if err != nil {
			return err
		}
		i, err := chipOf(a, args[0], f.chip)
		if err != nil {
			return err
		}
		camera := a.Chips[i].Camera()
		r.Lattice = camera.Lattice()
		if !wants {
			lens := camera.Lens()
			r.Lens = &lens
		}
		return nil
	}
	if !wants {
		return cli.Usagef("say what must be seen: --fov, --focal, --degrees-per-pixel, --width or --detail; or give " +
			"a class for the lens that it has")
	}
	r.Lattice.Hexagonal, r.Lattice.PitchYUm = f.hexagonal, f.rowPitch
	if f.rowPitch == 0 && !f.hexagonal {
		r.Lattice.PitchYUm = r.Lattice.PitchXUm
	}
	if m := r.Lattice.Check(); len(m) > 0 {
		return &invalidError{"the lattice", m}
	}
	return nil
}

// writeLens writes a lens for people.
func writeLens(w io.Writer, r *design.Result) error {
	var b strings.Builder
	fmt.Fprintf(&b, "lens: %s, %.4g mm, image circle %.4g mm\n", r.Projection, r.FocalMM, r.ImageCircleMM)
	fmt.Fprintf(&b, "field: %.4g x %.4g degrees, %.4g across the corners; %.5g sr\n", r.HorizontalFOVDeg,
		r.VerticalFOVDeg, r.DiagonalFOVDeg, r.SolidAngleSr)
	fmt.Fprintf(&b, "pixel: %.4g um, %.4g degrees on the axis, %.4g in the corners, which get %.1f %% of the light\n",
		r.PitchUm, r.DegreesPerPixel, r.CornerDegPerPixel, 100*r.CornerLight)
	fmt.Fprintf(&b, "finest pattern: the area of a pixel leaves %.1f %% of its contrast; a hexagonal lattice needs "+
		"%.1f %% fewer pixels for it\n", 100*r.PixelMTF, r.HexagonalSavingPercent)
	if f := r.Focus; f != nil {
		distance, far := "infinity", "infinity"
		if f.DistanceM > 0 {
			distance = metres(f.DistanceM)
		}
		if f.FarM != nil {
			far = metres(*f.FarM)
		}
		fmt.Fprintf(&b, "sharp: %s to %s within %.3g um, at f/%.3g in focus at %s; hyperfocal distance %s\n",
			metres(f.NearM), far, f.CircleUm, f.FNumber, distance, metres(f.HyperfocalM))
		fmt.Fprintf(&b, "diffraction: Airy radius %.4g um, %.3g pixels (a pixel from f/%.3g on); lens and pixel leave "+
			"%.1f %% of the finest pattern\n", f.AiryUm, f.AiryPixels, f.PixelFNumber, 100*f.MTF)
	}
	if d := r.Reach; d != nil {
		fmt.Fprintf(&b, "at %s: ", metres(d.DistanceM))
		if d.WidthM != nil && d.HeightM != nil {
			fmt.Fprintf(&b, "%s x %s, ", metres(*d.WidthM), metres(*d.HeightM))
		}
		fmt.Fprintf(&b, "a pixel is %.3g mm", d.PixelMM)
		if d.BlurPixels != nil {
			fmt.Fprintf(&b, ", blurred over %.3g pixels", *d.BlurPixels)
		}
		b.WriteString("\n")
	}
	if m := r.Motion; m != nil {
		fmt.Fprintf(&b, "motion: %.4g degrees a second, %.4g pixels a second; blur over %.3g pixels in %v, which "+
			"leaves "+
			"%.1f %% of the finest pattern\n", m.RateDegPerS, m.PixelsPerS, m.BlurPixels,
			time.Duration(m.ExposureS*1e9), 100*m.MTF)
		if m.OnePixelRate > 0 {
			fmt.Fprintf(&b, "one pixel of blur comes at %.4g degrees a second\n", m.OnePixelRate)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// metres writes a distance.
func metres(m float64) string {
	if m < 1 {
		return fmt.Sprintf("%.4g mm", 1000*m)
	}
	return fmt.Sprintf("%.4g m", m)
}
