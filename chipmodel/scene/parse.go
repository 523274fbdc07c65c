package scene

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"facetd.example/chipmodel/bustime"
)

// maxSpec limits the length of a description, maxStages its parts, each of which costs time at every pixel.
const (
	maxSpec   = 4096
	maxStages = 16
)

// Opener opens the picture of a name; the caller decides what names mean.
type Opener func(name string) (io.ReadCloser, error)

// Parse makes a scene of a short description:
//
//	uniform:200
//	demo:high=800,yaw_rate=20
//	panorama:wall.png,low=1,high=2000,forward_rate=0.1,travel=1,radius=0.3
//	grating:mean=100,contrast=0.5,cycles_per_pixel=0.1,orientation=45,drift=2
//	demo:high=500 | flicker:mains=50,depth=0.2
//	uniform:10 then 500ms uniform:200 then 2s demo
//
// `|` adds flicker to the scene before it. `then` and a bus time change to the
// next scene, at rising times. Keys of demo and panorama: low, high (lux), yaw,
// yaw_rate, yaw_swing, yaw_swing_hz, pitch, pitch_rate, roll, roll_rate
// (degrees, degrees per second, Hz), forward, forward_rate, travel, left, left_rate, up, up_rate, radius
// (metres, metres per second), lamp (part of the light that comes from the crawler, 0 to 1), end (metres ahead at which
// a wall stands across the way), ball_forward, ball_left, ball_up, ball_radius (metres: an obstacle). high is 1000 if
// not given; radius is 0.3 if not given while the crawler moves. Keys of grating: mean, contrast, cycles_per_pixel,
// orientation, drift, phase. A picture's name has no comma, `|` or " then ".
//
// open opens the pictures; nil refuses them. The error holds every error of the description.
func Parse(spec string, open Opener) (Scene, error) {
	if len(spec) > maxSpec {
		return nil, fmt.Errorf("scene: description has %d bytes, at most %d", len(spec), maxSpec)
	}
	parts := strings.Split(spec, " then ")
	if n := len(parts) + strings.Count(spec, "|"); n > maxStages {
		return nil, fmt.Errorf("scene: description has %d parts, at most %d", n, maxStages)
	}
	var errs []error
	current, err := parseChain(parts[0], open)
	errs = append(errs, err)
	last := time.Duration(-1 << 63)
	for _, part := range parts[1:] {
		when, rest, _ := strings.Cut(strings.TrimSpace(part), " ")
		at, err := time.ParseDuration(when)
		switch {
		case err != nil:
			errs = append(errs, fmt.Errorf("time after \"then\": %w", err))
		case at <= last:
			errs = append(errs, &ParamError{"time after \"then\"", at, "later than " + last.String()})
		}
		last = max(last, at)
		next, err := parseChain(rest, open)
		if errs = append(errs, err); errors.Join(errs...) == nil {
			current, err = Step(current, next, bustime.Time(at))
			errs = append(errs, err)
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("scene: %w", err)
	}
	return current, nil
}

// IsUniform reports whether a scene of this description, which Parse takes, is at every time the same everywhere.
func IsUniform(spec string) bool {
	for i, part := range strings.Split(spec, " then ") {
		part = strings.TrimSpace(part)
		if i > 0 {
			_, part, _ = strings.Cut(part, " ")
		}
		source, _, _ := strings.Cut(part, "|")
		if kind, _, _ := strings.Cut(strings.TrimSpace(source), ":"); kind != "uniform" {
			return false
		}
	}
	return true
}

// parseChain reads a scene and the flicker put on it.
func parseChain(text string, open Opener) (Scene, error) {
	stages := strings.Split(text, "|")
	s, err := parseSource(strings.TrimSpace(stages[0]), open)
	errs := []error{err}
	for _, stage := range stages[1:] {
		kind, rest, _ := strings.Cut(strings.TrimSpace(stage), ":")
		if kind != "flicker" {
			errs = append(errs, fmt.Errorf("%q after \"|\", want flicker", kind))
			continue
		}
		base := s
		if base == nil {
			base = Uniform(0) // so that the flicker's own errors are reported too
		}
		a := parseArgs("flicker", rest, map[string]float64{"mains": 50, "depth": 0.1})
		lit, err := Flicker(base, a.of["mains"], a.of["depth"])
		if errs = append(errs, a.err, err); s != nil && lit != nil {
			s = lit
		}
	}
	return s, errors.Join(errs...)
}

func parseSource(text string, open Opener) (Scene, error) {
	kind, rest, _ := strings.Cut(text, ":")
	switch kind {
	case "uniform":
		lux, err := strconv.ParseFloat(strings.TrimSpace(rest), 64)
		if err != nil || !isFinite(lux) || lux < 0 {
			return nil, &ParamError{"uniform", rest, "a finite number of lux, 0 or more"}
		}
		return Uniform(lux), nil
	case "grating":
		return parseGrating(rest)
	case "demo":
		o, err := parsePanoramaOptions(kind, rest)
		if err != nil {
			return nil, err
		}
		return Panorama(DemoPanorama(), o)
	case "panorama":
		return parsePanorama(rest, open)
	}
	return nil, &ParamError{"scene", text, "uniform:, demo, panorama: or grating:"}
}

func parseGrating(text string) (Scene, error) {
	a := parseArgs("grating", text, map[string]float64{"mean": 100, "contrast": 1,
		"cycles_per_pixel": 0.1, "orientation": 0, "drift": 0, "phase": 0})
	s, err := Grating(GratingOptions{MeanLux: a.of["mean"], Contrast: a.of["contrast"],
		CyclesPerPixel: a.of["cycles_per_pixel"], OrientationDeg: a.of["orientation"],
		DriftHz: a.of["drift"], PhaseDeg: a.of["phase"]})
	return s, errors.Join(a.err, err)
}

func parsePanorama(text string, open Opener) (Scene, error) {
	name, rest, _ := strings.Cut(text, ",")
	name = strings.TrimSpace(name)
	o, err := parsePanoramaOptions(name, rest)
	errs := []error{err}
	switch {
	case name == "" || strings.Contains(name, "="):
		errs = append(errs, &ParamError{"panorama", name, "the name of a picture first"})
	case open == nil:
		errs = append(errs, &ParamError{"panorama", name, "another scene: pictures cannot be opened here"})
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	file, err := open(name)
	if err != nil {
		return nil, fmt.Errorf("panorama: %w", err)
	}
	defer file.Close()
	img, err := Decode(file)
	if err != nil {
		return nil, fmt.Errorf("panorama %s: %w", name, err)
	}
	return Panorama(img, o)
}

// parsePanoramaOptions also checks the options, so that an error is reported
// before a picture is read.
func parsePanoramaOptions(label, text string) (PanoramaOptions, error) {
	a := parseArgs("panorama", text, map[string]float64{"low": 0, "high": 1000, "yaw": 0, "yaw_rate": 0,
		"yaw_swing": 0, "yaw_swing_hz": 0, "pitch": 0, "pitch_rate": 0, "roll": 0, "roll_rate": 0,
		"forward": 0, "forward_rate": 0, "travel": 0, "radius": 0,
		"left": 0, "left_rate": 0, "up": 0, "up_rate": 0, "lamp": 0, "end": 0,
		"ball_forward": 0, "ball_left": 0, "ball_up": 0, "ball_radius": 0})
	m := Motion{YawDeg: a.of["yaw"], YawRateDegPerS: a.of["yaw_rate"],
		YawSwingDeg: a.of["yaw_swing"], YawSwingHz: a.of["yaw_swing_hz"],
		PitchDeg: a.of["pitch"], PitchRateDegPerS: a.of["pitch_rate"],
		RollDeg: a.of["roll"], RollRateDegPerS: a.of["roll_rate"],
		ForwardM: a.of["forward"], ForwardMPerS: a.of["forward_rate"],
		TravelM: a.of["travel"], PipeRadiusM: a.of["radius"],
		LeftM: a.of["left"], LeftMPerS: a.of["left_rate"], UpM: a.of["up"], UpMPerS: a.of["up_rate"]}
	if !a.given["radius"] && (m.ForwardM != 0 || m.ForwardMPerS != 0 || m.aside() || a.given["end"]) {
		m.PipeRadiusM = defaultRadiusM
	}
	o := PanoramaOptions{LuxLow: a.of["low"], LuxHigh: a.of["high"], Motion: m, LampShare: a.of["lamp"], Label: label}
	o.Surfaces = Surfaces{Ends: a.given["end"], EndM: a.of["end"]}
	for _, key := range []string{"ball_forward", "ball_left", "ball_up", "ball_radius"} {
		if a.given[key] {
			o.Surfaces.Balls = []Ball{{a.of["ball_forward"], a.of["ball_left"], a.of["ball_up"], a.of["ball_radius"]}}
		}
	}
	var c checks
	o.check(&c)
	return o, errors.Join(a.err, c.err("panorama"))
}

// args are the key=value pairs of one stage over their defaults.
type args struct {
	of    map[string]float64
	given map[string]bool
	err   error
}

// numberOf is what the value of a key has to be, with its unit, which is not written.
func numberOf(key string) string {
	const want = "a finite number"
	switch key {
	case "low", "high", "mean":
		return want + " of lux"
	case "yaw", "pitch", "roll", "yaw_swing", "orientation", "phase":
		return want + " of degrees"
	case "yaw_rate", "pitch_rate", "roll_rate":
		return want + " of degrees per second"
	case "forward", "left", "up", "travel", "radius", "end", "ball_forward", "ball_left", "ball_up", "ball_radius":
		return want + " of metres"
	case "forward_rate", "left_rate", "up_rate":
		return want + " of metres per second"
	case "yaw_swing_hz", "mains", "drift":
		return want + " of hertz"
	}
	return want // a plain one
}

func parseArgs(stage, text string, defaults map[string]float64) args {
	a := args{of: maps.Clone(defaults), given: map[string]bool{}}
	if strings.TrimSpace(text) == "" {
		return a
	}
	var errs []error
	for field := range strings.SplitSeq(text, ",") {
		key, value, _ := strings.Cut(strings.TrimSpace(field), "=")
		if _, known := defaults[key]; !known {
			keys := strings.Join(slices.Sorted(maps.Keys(defaults)), ", ")
			errs = append(errs, &ParamError{stage + " key", strconv.Quote(key), "one of " + keys})
			continue
		}
		v, err := strconv.ParseFloat(value, 64)
		if err != nil || !isFinite(v) {
			errs = append(errs, &ParamError{stage + " " + key, strconv.Quote(value), numberOf(key)})
			continue
		}
		if a.given[key] {
			errs = append(errs, &ParamError{stage + " " + key, value, "to be given once"})
		}
		a.of[key], a.given[key] = v, true
	}
	a.err = errors.Join(errs...)
	return a
}
