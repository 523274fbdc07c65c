package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/parse"
)

// viewFlags are the flags that describe a view.
type viewFlags struct {
	binning, window       string
	smoothing             uint32
	exposure              time.Duration
	pixelBias, outputBias uint32
	gainIndex             uint32
	offset                int32
	flags                 *pflag.FlagSet
}

// viewFlagNames are the names of the flags, in the order of the help.
var viewFlagNames = []string{"binning", "smoothing", "window", "exposure", "pixel-bias", "output-bias", "gain-index",
	"offset"}

func (v *viewFlags) register(cmd *cobra.Command) {
	v.flags = cmd.Flags()
	v.flags.StringVar(&v.binning, "binning", "", "join blocks into one pixel: N or ROWSxCOLUMNS, of 1, 2, 4 or 8")
	v.flags.Uint32Var(&v.smoothing, "smoothing", 0, "alternating pair shares along each axis before the binning")
	v.flags.StringVar(&v.window, "window", "", "what is read: "+parse.WindowForm)
	v.flags.DurationVar(&v.exposure, "exposure", 0, "exposure of linear pixels with a shutter (default that of "+
		"their class)")
	v.flags.Uint32Var(&v.pixelBias, "pixel-bias", 0, "pixel bias register, 0 to 255 (default nominal)")
	v.flags.Uint32Var(&v.outputBias, "output-bias", 0, "output bias register, 0 to 255 (default nominal)")
	v.flags.Uint32Var(&v.gainIndex, "gain-index", 0, "which of the class's gains, from 0 on")
	v.flags.Int32Var(&v.offset, "offset", 0, "offset register, -128 to 127")
}

// given reports whether a flag of the view was used.
func (v *viewFlags) given() bool {
	for _, name := range viewFlagNames {
		if v.flags.Changed(name) {
			return true
		}
	}
	return false
}

// views returns the one view that the flags describe, or none for a plain one.
func (v *viewFlags) views() ([]*facetdv1.View, error) {
	if !v.given() {
		return nil, nil
	}
	view := &facetdv1.View{}
	if err := v.apply(view); err != nil {
		return nil, err
	}
	return []*facetdv1.View{view}, nil
}

// apply gives a view what the flags say, and leaves it as it is where they say nothing. A time of 0 and an empty text
// take away what was there.
func (v *viewFlags) apply(view *facetdv1.View) error {
	var problems []string
	problem := func(flag string, err error) {
		if err != nil {
			problems = append(problems, fmt.Sprintf("--%s: %v", flag, err))
		}
	}
	if v.flags.Changed("binning") {
		var err error
		view.Binning = nil
		if v.binning != "" {
			view.Binning, err = parse.Binning(v.binning)
		}
		problem("binning", err)
	}
	if v.flags.Changed("window") {
		var err error
		view.Window = nil
		if v.window != "" {
			view.Window, err = parse.Window(v.window)
		}
		problem("window", err)
	}
	if v.flags.Changed("smoothing") {
		view.SmoothingSteps = v.smoothing
	}
	if v.flags.Changed("exposure") {
		view.Exposure = nil
		if v.exposure != 0 {
			view.Exposure = durationpb.New(v.exposure)
		}
	}
	v.trim(view)
	for _, r := range []struct {
		flag      string
		is        int64
		low, high int64
	}{{"pixel-bias", int64(v.pixelBias), 0, math.MaxUint8}, {"output-bias", int64(v.outputBias), 0, math.MaxUint8},
		{"gain-index", int64(v.gainIndex), 0, math.MaxUint8}, {"offset", int64(v.offset), math.MinInt8, math.MaxInt8}} {
		if r.is < r.low || r.is > r.high {
			problem(r.flag, fmt.Errorf("%d is out of range; give %d to %d", r.is, r.low, r.high))
		}
	}
	if len(problems) > 0 {
		return cli.Usagef("%s", strings.Join(problems, "\n"))
	}
	return nil
}

// trim sets the registers that flags name.
func (v *viewFlags) trim(view *facetdv1.View) {
	set := func(flag string, change func(t *facetdv1.TrimSettings)) {
		if v.flags.Changed(flag) {
			if view.Trim == nil {
				view.Trim = &facetdv1.TrimSettings{}
			}
			change(view.Trim)
		}
	}
	set("pixel-bias", func(t *facetdv1.TrimSettings) { t.PixelBias = proto.Uint32(v.pixelBias) })
	set("output-bias", func(t *facetdv1.TrimSettings) { t.OutputBias = proto.Uint32(v.outputBias) })
	set("gain-index", func(t *facetdv1.TrimSettings) { t.GainIndex = v.gainIndex })
	set("offset", func(t *facetdv1.TrimSettings) { t.Offset = v.offset })
}
