package calibration

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/scheduler/program"
)

// key is what a correction map belongs to: a chip, and everything about a view that changes its
// codes. Equal settings have equal texts.
type key struct{ chip, settings string }

// hash is a short name of the key that is fit for a file.
func (k key) hash() string {
	sum := sha256.Sum256([]byte(k.chip + "\n" + k.settings))
	return hex.EncodeToString(sum[:8])
}

// settingsOf is what view i of some does. Views of one load work on what those before them
// left, so their shares count as well.
func settingsOf(a *chipmodel.Array, class *chipmodel.Class, specs []*facetdv1.View, views []program.View,
	i int) *facetdv1.ViewSettings {
	v := &views[i]
	out := &facetdv1.ViewSettings{Window: v.Window.Message()}
	if class.HasMemory() {
		for _, earlier := range views[:i+1] {
			for _, p := range earlier.Shares {
				out.Shares = append(out.Shares, &facetdv1.Share{Columns: bits(p.Columns), Rows: bits(p.Rows)})
			}
		}
	} else if class.HasPatterns() && i < len(specs) {
		b := specs[i].GetBinning()
		out.Binning = &facetdv1.Binning{Rows: max(b.GetRows(), 1), Columns: max(b.GetColumns(), 1)}
	} else if class.HasPatterns() {
		out.Binning = &facetdv1.Binning{Rows: 1, Columns: 1}
	}
	out.Trim = program.TrimMessage(v.Trim)
	out.ExposureNs = otherExposure(a, class, v.Exposed(class).Nanoseconds())
	return out
}

// otherExposure is an exposure in nanoseconds that is not that of a class, as the chips or the bus time it, and
// otherwise 0. What the grain of the bus makes of it is the same within a hundredth (our choice, no source); on a
// coarser bus it is another exposure.
func otherExposure(a *chipmodel.Array, class *chipmodel.Class, ns int64) int64 {
	own := class.Exposure().Nanoseconds()
	up := a.Up(class.Exposure()).Nanoseconds()
	if ns == own || ns == up && up-own <= own/100 {
		return 0
	}
	return ns
}

// bits writes a pattern as views have it: eight characters, bit 0 first.
func bits(pattern uint8) string {
	text, _, _ := strings.Cut(analog.FormatPattern(pattern), " ")
	return text
}

// settingsText is one text for equal settings. Names of files depend on it: it is not to be
// changed.
func settingsText(v *facetdv1.ViewSettings) string {
	var b strings.Builder
	for _, s := range v.GetShares() {
		fmt.Fprintf(&b, "share %s %s;", s.GetColumns(), s.GetRows())
	}
	if n := v.GetBinning(); n != nil {
		fmt.Fprintf(&b, "bin %d %d;", n.GetRows(), n.GetColumns())
	}
	w := v.GetWindow()
	fmt.Fprintf(&b, "window %d %d %d %d %d %d;", w.GetRow(), w.GetColumn(), w.GetRows(), w.GetColumns(), w.GetRowStep(),
		w.GetColumnStep())
	if t := v.GetTrim(); t != nil {
		fmt.Fprintf(&b, "trim %d %d %d %d;", t.GetPixelBias(), t.GetOutputBias(), t.GetGainIndex(), t.GetOffset())
	}
	if ns := v.GetExposureNs(); ns > 0 {
		fmt.Fprintf(&b, "exposure %d;", ns)
	}
	return b.String()
}

// viewKeys are the settings of some views of chips of a class, by the views' names.
type viewKeys map[string]viewKey

// viewKey is what a view does, and that as a text.
type viewKey struct {
	array    *chipmodel.Array
	class    *chipmodel.Class
	settings *facetdv1.ViewSettings
	text     string
}

// of is the text for a frame of the view. What may be set between jobs is as it was for the frame: a map that was made
// elsewhere on the lattice, under another trim or with another exposure, is not for it.
func (k viewKey) of(f *facetdv1.Frame) string {
	exposure := otherExposure(k.array, k.class, f.GetExposureNs())
	if f.GetTrim() == nil && exposure == k.settings.GetExposureNs() &&
		(f.GetWindow() == nil || proto.Equal(f.GetWindow(), k.settings.GetWindow())) {
		return k.text
	}
	settings := proto.CloneOf(k.settings)
	settings.Window, settings.ExposureNs = f.GetWindow(), exposure
	if f.GetTrim() != nil {
		settings.Trim = f.GetTrim()
	}
	return settingsText(settings)
}

// keysOf resolves views. Errors: invalid.Errors.
func keysOf(a *chipmodel.Array, class *chipmodel.Class, specs []*facetdv1.View) (viewKeys, error) {
	views, err := program.ResolveViews(a, class, specs)
	if err != nil {
		return nil, err
	}
	out := viewKeys{}
	for i := range views {
		settings := settingsOf(a, class, specs, views, i)
		out[views[i].Name] = viewKey{a, class, settings, settingsText(settings)}
	}
	return out, nil
}

// taskViews are the settings of the views of tasks, by the tasks' names.
type taskViews map[string]viewKeys

// classDigest is the SHA-256 of a class's description.
func classDigest(c *chipmodel.Class) string {
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(c.Spec)
	if err != nil {
		return "" // a checked class can be encoded
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}
