package scene

import (
	"math"

	"facetd.example/chipmodel/bustime"
)

// Motion is how the crawler turns and moves, an exact function of bus time. Its zero value stands still at the place
// where the picture was taken, looking at the middle of the picture.
//
// The pose in the picture's frame is yaw = YawDeg + YawRateDegPerS t +
// YawSwingDeg sin(2 pi YawSwingHz t), likewise pitch and roll without a swing,
// applied in the order and sense of a mount.
//
// Forward movement is along the axis of a straight pipe of circular section,
// which is the x axis of the picture (its middle column on the horizon), at
// ForwardM + ForwardMPerS t metres from the place where the picture was taken.
// The picture is taken to be painted on the wall of that pipe, seen from its
// axis: a ray that leaves the crawler meets the wall at distance
// PipeRadiusM/sin(angle to the axis), and what the picture holds in the
// direction of that point is seen. So the near wall streams past, and what lies
// along the axis, ahead and behind, stays. The picture holds less detail of the
// wall the further it is, so views become coarse after a few radii.
//
// The body is on that axis, or LeftM + LeftMPerS t metres to its left and UpM + UpMPerS t above, and turns about its
// middle. A camera whose mount has a place is there, and sees the wall from there once PipeRadiusM says how far that
// is, moving or not; outside the pipe it sees nothing. Without a pipe all is far away.
type Motion struct {
	// From is the bus time at which t is 0.
	From bustime.Time

	YawDeg, YawRateDegPerS     float64
	YawSwingDeg, YawSwingHz    float64
	PitchDeg, PitchRateDegPerS float64
	RollDeg, RollRateDegPerS   float64

	ForwardM, ForwardMPerS float64
	// TravelM, if above 0, keeps the crawler within TravelM/2 either side of ForwardM: it turns back at the ends at
	// once and at the same speed. 0 lets it go on for ever.
	TravelM float64
	// PipeRadiusM is needed (above 0) when the crawler moves or is displaced.
	PipeRadiusM float64

	LeftM, LeftMPerS float64
	UpM, UpMPerS     float64
}

func (m Motion) check(c *checks) {
	const most = 1e6
	c.within("YawDeg", m.YawDeg, -most, most)
	c.within("YawRateDegPerS", m.YawRateDegPerS, -most, most)
	c.within("YawSwingDeg", m.YawSwingDeg, -most, most)
	c.within("YawSwingHz", m.YawSwingHz, -most, most)
	c.within("PitchDeg", m.PitchDeg, -most, most)
	c.within("PitchRateDegPerS", m.PitchRateDegPerS, -most, most)
	c.within("RollDeg", m.RollDeg, -most, most)
	c.within("RollRateDegPerS", m.RollRateDegPerS, -most, most)
	c.within("ForwardM", m.ForwardM, -most, most)
	c.within("ForwardMPerS", m.ForwardMPerS, -most, most)
	c.that(m.TravelM == 0 || m.TravelM >= 1e-6 && m.TravelM <= most, "TravelM", m.TravelM, "0, or 1e-06 to 1e+06")
	c.within("LeftM", m.LeftM, -most, most)
	c.within("LeftMPerS", m.LeftMPerS, -most, most)
	c.within("UpM", m.UpM, -most, most)
	c.within("UpMPerS", m.UpMPerS, -most, most)
	if m.ForwardM != 0 || m.ForwardMPerS != 0 || m.PipeRadiusM != 0 || m.aside() {
		c.that(m.PipeRadiusM >= 1e-3 && m.PipeRadiusM <= most, "PipeRadiusM", m.PipeRadiusM,
			"0.001 to 1e+06 when the crawler moves")
	}
}

// Pose is where the crawler is and how it is turned.
type Pose struct {
	YawDeg, PitchDeg, RollDeg float64 // within a turn of 0, plus the start value and the swing
	ForwardM                  float64 // along the axis of the pipe
	LeftM, UpM                float64 // of the axis
}

// At returns the pose at a bus time.
func (m Motion) At(at bustime.Time) Pose {
	at -= m.From
	turn := func(start, rate float64) float64 {
		if rate == 0 {
			return start
		}
		return start + 360*at.Cycles(rate/360)
	}
	p := Pose{
		YawDeg:   turn(m.YawDeg, m.YawRateDegPerS),
		PitchDeg: turn(m.PitchDeg, m.PitchRateDegPerS),
		RollDeg:  turn(m.RollDeg, m.RollRateDegPerS),
		ForwardM: m.ForwardM,
		LeftM:    m.LeftM + m.LeftMPerS*(float64(at)*1e-9),
		UpM:      m.UpM + m.UpMPerS*(float64(at)*1e-9),
	}
	if m.YawSwingDeg != 0 && m.YawSwingHz != 0 {
		p.YawDeg += m.YawSwingDeg * math.Sin(2*math.Pi*at.Cycles(m.YawSwingHz))
	}
	switch {
	case m.ForwardMPerS == 0:
	case m.TravelM > 0:
		p.ForwardM += m.TravelM * triangle(at.Cycles(m.ForwardMPerS/(2*m.TravelM)))
	default:
		p.ForwardM += m.ForwardMPerS * (float64(at) * 1e-9)
	}
	return p
}

// still reports whether the pose is the same at all times.
func (m Motion) still() bool {
	return m.YawRateDegPerS == 0 && m.PitchRateDegPerS == 0 && m.RollRateDegPerS == 0 &&
		m.ForwardMPerS == 0 && m.LeftMPerS == 0 && m.UpMPerS == 0 && (m.YawSwingDeg == 0 || m.YawSwingHz == 0)
}

// aside reports whether the body leaves the axis of the pipe.
func (m Motion) aside() bool { return m.LeftM != 0 || m.LeftMPerS != 0 || m.UpM != 0 || m.UpMPerS != 0 }

// triangle rises from 0 to 1/2 in the first quarter of a cycle, falls to -1/2
// and comes back.
func triangle(cycle float64) float64 {
	switch {
	case cycle < 0.25:
		return 2 * cycle
	case cycle < 0.75:
		return 1 - 2*cycle
	}
	return 2*cycle - 2
}
