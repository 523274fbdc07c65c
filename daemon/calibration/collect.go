package calibration

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/calibration/correction"
	"facetd.example/daemon/failure"
)

const (
	// A level that still drifts after restLimit of bus time is taken as it is.
	restLimit = 10 * time.Second
	// progressEvery is the host time between two messages of progress.
	progressEvery = 100 * time.Millisecond
)

// collector gathers one level.
type collector struct {
	s     *Service
	ses   *session
	level *level
	index map[[2]string]int // chip and view to subject
	codes []uint16
	// means holds the mean of each frame that is gathered, by subject.
	means [][]float64
	rest  []correction.Rest
	still bool // came to rest

	send func(*facetdv1.CollectLevelResponse) error
	told time.Time
}

// CollectLevel gathers frames under the light that is there now. That it is done is said
// after session and array are given back, since whoever reads it may call again at once.
func (s *Service) CollectLevel(r *facetdv1.CollectLevelRequest,
	out grpc.ServerStreamingServer[facetdv1.CollectLevelResponse]) error {
	done, err := s.collect(r, out)
	if err != nil {
		return err
	}
	return out.Send(done)
}

// collect gathers a level and returns the last message of its stream.
func (s *Service) collect(r *facetdv1.CollectLevelRequest,
	out grpc.ServerStreamingServer[facetdv1.CollectLevelResponse]) (*facetdv1.CollectLevelResponse, error) {
	lux, frames, err := levelOf(r)
	if err != nil {
		return nil, err
	}
	if err := s.uniformLight(); err != nil {
		return nil, err
	}
	ses, err := s.take(r.GetSession())
	if err != nil {
		return nil, err
	}
	defer s.give(ses)
	release, err := s.claimShared("a calibration")
	if err != nil {
		return nil, err
	}
	defer release()
	samples := 0
	for _, sub := range ses.subjects {
		samples += sub.shape.Pixels()
	}
	if err := s.reserve(ses, samples); err != nil {
		return nil, err
	}
	c := &collector{s: s, ses: ses, send: out.Send}
	err = c.gather(out.Context(), lux, frames)
	if err != nil {
		s.reserveBack(ses, samples)
		return nil, err
	}
	if err := s.addLevel(ses, c.level, samples); err != nil {
		return nil, err
	}
	return &facetdv1.CollectLevelResponse{
		State: facetdv1.IlluminationState_ILLUMINATION_STATE_DONE, FramesDone: c.total(frames),
		FramesTotal: c.total(frames), Level: c.level.shown,
	}, nil
}

// uniformLight refuses a light that is known not to be uniform: what it leaves on the chips would count as their own
// pattern.
func (s *Service) uniformLight() error {
	if light := s.cfg.NotUniform(); light != "" {
		return stuck("scene", "the light is not uniform: the scene is %.200s; set a uniform one first, such as "+
			"'facetctl scene set uniform:200'", light)
	}
	return nil
}

// claimShared takes the array for frames that must not be disturbed.
func (s *Service) claimShared(by string) (release func(), err error) {
	if s.cfg.ClaimShared == nil {
		return func() {}, nil
	}
	return s.cfg.ClaimShared(by)
}

// levelOf checks what a request says of the light.
func levelOf(r *facetdv1.CollectLevelRequest) (lux float64, frames int, err error) {
	var m invalid.Errors
	switch l := r.GetLight().(type) {
	case *facetdv1.CollectLevelRequest_Lux:
		if lux = l.Lux; !(lux > 0 && lux <= 1e9) {
			m.Add("lux", fmt.Sprintf("%g lux is not possible", lux),
				"give what was measured at the chips, above 0 up to 1e9, or dark: {}")
		}
	case *facetdv1.CollectLevelRequest_Dark:
	default:
		m.Add("light", "it is not said what light there is", "give lux, or dark: {}")
	}
	frames = framesOf(&m, r.GetFrames())
	return lux, frames, m.Err()
}

func framesOf(m *invalid.Errors, n uint32) int {
	switch {
	case n == 0:
		return DefaultFrames
	case n < 2 || n > MaxFrames:
		m.Add("frames", fmt.Sprintf("%d frames cannot be averaged", n),
			fmt.Sprintf("use 2 to %d; 16 or more are best", MaxFrames))
	}
	return int(n)
}

// reserve reserves memory for a level's samples, over all sessions.
func (s *Service) reserve(ses *session, samples int) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	sum := samples
	for _, other := range s.sessions {
		sum += other.samples
	}
	if sum > maxSamples {
		return &failure.Exhausted{Message: fmt.Sprintf("levels of %d pixels in all would take too much memory, of "+
			"which %d may be gathered at once; "+
			"finish or abort a calibration, or calibrate fewer chips, views or levels at a time", sum, maxSamples)}
	}
	ses.samples += samples
	return nil
}

func (s *Service) reserveBack(ses *session, samples int) {
	s.mu.Lock()
	ses.samples -= samples
	s.mu.Unlock()
}

// addLevel adds a level to a session, in the place of one of the same light. The session
// may have been aborted meanwhile.
func (s *Service) addLevel(ses *session, l *level, samples int) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.sessions[ses.id] != ses {
		return errNotOpen(ses.id)
	}
	i, same := slices.BinarySearchFunc(ses.levels, l.lux,
		func(l *level, lux float64) int { return cmp.Compare(l.lux, lux) })
	if same {
		ses.levels[i] = l
		ses.samples -= samples
		return nil
	}
	ses.levels = slices.Insert(slices.Clone(ses.levels), i, l)
	return nil
}

func (c *collector) total(frames int) uint32 { return uint32(frames * len(c.ses.subjects)) }

// gather waits until the light and the pixels no longer drift, and reads the frames. The chips take
// turns, so that each one's frames are spread over the whole time.
func (c *collector) gather(ctx context.Context, lux float64, frames int) error {
	n := len(c.ses.subjects)
	c.level = &level{lux: lux, frames: frames, gathered: make([]*correction.Accumulator, n), firstNS: make([]int64, n),
		lastNS: make([]int64, n), kelvin: make([]float64, n)}
	c.means, c.rest, c.index = make([][]float64, n), make([]correction.Rest, n), map[[2]string]int{}
	for i, sub := range c.ses.subjects {
		var err error
		if c.level.gathered[i], err = correction.NewAccumulator(sub.shape, sub.scale); err != nil {
			return err
		}
		c.level.kelvin[i] = c.s.kelvinOf(c.ses.kelvin, sub.chip)
		c.index[[2]string{sub.key.chip, sub.view}] = i
	}
	if err := c.comeToRest(ctx, frames); err != nil {
		return err
	}
	done := 0
	for range frames {
		err := c.round(ctx, func(i int, f *facetdv1.Frame, mean float64) error {
			done++
			if len(c.means[i]) == 0 {
				c.level.firstNS[i] = f.GetLightBusNs()
			}
			c.level.lastNS[i] = f.GetLightBusNs()
			c.means[i] = append(c.means[i], mean)
			return c.level.gathered[i].Add(c.codes)
		}, func(chip string) error {
			return c.tell(facetdv1.IlluminationState_ILLUMINATION_STATE_COLLECTING, done, frames, chip)
		})
		if err != nil {
			return err
		}
	}
	c.level.shown = c.report()
	return nil
}

// report is what each chip showed at a level, with what an operator should know.
func (c *collector) report() *facetdv1.CollectedLevel {
	out := &facetdv1.CollectedLevel{Lux: c.level.lux, Frames: uint32(c.level.frames)}
	for i, sub := range c.ses.subjects {
		l := correction.JudgeLevel(c.level.gathered[i], c.means[i], c.still)
		if caution := c.saturation(i); caution != "" {
			l.Cautions = append(l.Cautions, caution)
		}
		out.Chips = append(out.Chips, &facetdv1.ChipLevel{
			Chip: sub.key.chip, View: sub.view, Frames: uint32(l.Frames), MeanCodes: l.Mean, NoiseCodes: l.Noise,
			PatternCodes: l.Pattern, WanderCodes: l.Wander, ClippedLow: l.ClippedLow, ClippedHigh: l.ClippedHigh,
			Cautions: l.Cautions,
		})
	}
	return out
}

// saturation is what is to be known of pixels that saturate at this level, beside those that the session has already.
func (c *collector) saturation(subject int) string {
	if c.ses == nil {
		return ""
	}
	levels := []correction.Level{{Lux: c.level.lux, Frames: c.level.gathered[subject]}}
	for _, l := range c.ses.levels {
		if l.lux != c.level.lux { // which takes its place
			levels = append(levels, correction.Level{Lux: l.lux, Frames: l.gathered[subject]})
		}
	}
	return correction.SaturationCaution(correction.Saturated(levels)[0], levels[0].Frames.Shape().Pixels())
}

// comeToRest reads frames until none drifts any more.
func (c *collector) comeToRest(ctx context.Context, frames int) error {
	var first, last int64
	for round := 0; ; round++ {
		err := c.round(ctx, func(i int, f *facetdv1.Frame, mean float64) error {
			if last = f.GetLightBusNs(); round == 0 && i == 0 {
				first = last
			}
			c.rest[i].Add(last, mean, c.codes)
			return nil
		}, func(chip string) error {
			return c.tell(facetdv1.IlluminationState_ILLUMINATION_STATE_SETTLING, 0, frames, chip)
		})
		if err != nil {
			return err
		}
		if c.still = !slices.ContainsFunc(c.rest, func(r correction.Rest) bool { return !r.Still() }); c.still ||
			last-first > int64(restLimit) {
			return nil
		}
	}
}

// inFlight is how many captures of a session wait for gaps at a time.
const inFlight = 8

// captured is the outcome of one capture.
type captured struct {
	set *facetdv1.FrameSet
	err error
}

// round reads every unit once, several at a time, and hands each frame's subject, mean and
// codes on, in order.
func (c *collector) round(ctx context.Context, take func(subject int, f *facetdv1.Frame, mean float64) error,
	after func(chip string) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	results := make([]chan captured, len(c.ses.units))
	var running sync.WaitGroup
	defer running.Wait()
	begin := func(i int) {
		results[i] = make(chan captured, 1)
		running.Go(func() {
			set, err := c.s.capture(ctx, c.ses.units[i], c.ses.views)
			results[i] <- captured{set, err}
		})
	}
	for i := range min(inFlight, len(results)) {
		begin(i)
	}
	for i, u := range c.ses.units {
		got := <-results[i]
		if next := i + inFlight; got.err == nil && next < len(results) {
			begin(next)
		}
		if got.err == nil {
			got.err = c.hand(got.set, take)
		}
		if got.err == nil {
			got.err = after(u.chips[len(u.chips)-1])
		}
		if got.err != nil {
			cancel()
			return got.err
		}
	}
	return nil
}

// hand hands on the frames of one capture.
func (c *collector) hand(set *facetdv1.FrameSet, take func(subject int, f *facetdv1.Frame, mean float64) error) error {
	for _, f := range set.GetFrames() {
		i, known := c.index[[2]string{f.GetChip(), f.GetView()}]
		if !known {
			continue // of a chip that cannot but be read along
		}
		if len(f.GetData()) != 2*c.ses.subjects[i].shape.Pixels() {
			return fmt.Errorf("a frame of chip %s, view %s has %d bytes", f.GetChip(), f.GetView(), len(f.GetData()))
		}
		c.codes = c.codes[:0]
		sum := 0.0
		for at := 0; at < len(f.GetData()); at += 2 {
			code := binary.LittleEndian.Uint16(f.GetData()[at:])
			c.codes = append(c.codes, code)
			sum += float64(code)
		}
		if err := take(i, f, sum/float64(len(c.codes))); err != nil {
			return err
		}
	}
	return nil
}

// tell sends the progress, not too often.
func (c *collector) tell(state facetdv1.IlluminationState, done, frames int, chip string) error {
	if now := time.Now(); now.Sub(c.told) >= progressEvery {
		c.told = now
		if err := c.send(&facetdv1.CollectLevelResponse{State: state, FramesDone: uint32(done),
			FramesTotal: c.total(frames), Chip: chip}); err != nil {
			return err
		}
		if c.ses.id == "" {
			return nil // no session, but a level for correction maps that there are
		}
		c.s.mu.Lock()
		defer c.s.mu.Unlock()
		if c.s.sessions[c.ses.id] != c.ses {
			return &failure.InProgress{Message: fmt.Sprintf("calibration %s was aborted", c.ses.id)}
		}
		c.s.touch(c.ses)
	}
	return nil
}
