package hardware

// Work is what one use of the frames costs a computer.
type Work struct {
	Use        string  `json:"use"`
	NsPerPixel float64 `json:"ns_per_pixel"`
	// Basis is Measured or Estimated; a measured figure may be off by a factor of Uncertainty either way, an estimated
	// one likewise on a computer like the one that it was measured on.
	Basis       Basis   `json:"basis"`
	Uncertainty float64 `json:"uncertainty_factor"`
	// CorePercent is the part of one core's time.
	CorePercent float64 `json:"core_percent"`
}

// Uses of frames.
const (
	Correction = "correction"
	Motion     = "motion"
)

// The costs that estimates rest on: plain Go on one core of a server of 2026 (amd64), by the benchmark of the
// correction of a logarithmic response, and for motion by what the pairs of the demo array's frames take together with
// the body's motion: most of that is for each frame, so that smaller frames take more for each pixel. A single-board
// computer takes two to four times that, which is why their factor is so large; a microcontroller without arithmetic
// in double precision cannot be told by them.
var estimates = []Work{
	{Use: Correction, NsPerPixel: 30, Basis: Estimated, Uncertainty: 3},
	{Use: Motion, NsPerPixel: 100, Basis: Estimated, Uncertainty: 3},
}

// Reckon fills in the work: of uses in measured by the nanoseconds a pixel measured there, of others by estimate. That
// what was measured holds within a factor of 1.5 is our choice, no source.
func (n *Needs) Reckon(measured map[string]float64) {
	n.Work = nil
	for _, w := range estimates {
		if ns, is := measured[w.Use]; is {
			w.NsPerPixel, w.Basis, w.Uncertainty = ns, Measured, 1.5
		}
		w.CorePercent = 100 * 1e-9 * w.NsPerPixel * n.PixelsPerS
		n.Work = append(n.Work, w)
	}
}
