package environment

import (
	"context"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/failure"
)

// SetPose moves what carries the array.
func (s *Service) SetPose(ctx context.Context, r *facetdv1.SetPoseRequest) (*facetdv1.SetPoseResponse, error) {
	if s.cfg.Bus == nil {
		return nil, errNotVirtual
	}
	var from scene.Pose
	at, err := s.act(ctx, r.AtBusNs, func(at bus.Time, now bool) error {
		is := s.lights.at(at)
		m, moves := scene.MotionOf(is.scene, at)
		if !moves {
			return &failure.Precondition{Kind: failure.NoPicture, Subject: "scene",
				Message: "the scene " + is.described + " has no picture in which to move; set demo, for instance"}
		}
		if from = m.At(at); r.GetPose() != nil {
			from = poseFrom(r.GetPose())
		}
		m = m.Uniformly(from, at)
		setVelocity(&m, r.GetVelocity())
		moved, err := scene.Moved(is.scene, m)
		if err != nil {
			var wrong invalid.Errors
			wrong.Add("pose", strings.TrimPrefix(err.Error(), "pose: "), "")
			return wrong
		}
		return s.set(at, now, light{is.described, moved}, nil)
	})
	if err != nil {
		return nil, err
	}
	return &facetdv1.SetPoseResponse{Pose: poseOf(from), EffectiveBusNs: at.NS()}, nil
}

func poseOf(p scene.Pose) *facetdv1.Pose {
	return &facetdv1.Pose{ForwardM: p.ForwardM, LeftM: p.LeftM, UpM: p.UpM,
		YawDeg: p.YawDeg, PitchDeg: p.PitchDeg, RollDeg: p.RollDeg}
}

func poseFrom(p *facetdv1.Pose) scene.Pose {
	return scene.Pose{ForwardM: p.GetForwardM(), LeftM: p.GetLeftM(), UpM: p.GetUpM(),
		YawDeg: p.GetYawDeg(), PitchDeg: p.GetPitchDeg(), RollDeg: p.GetRollDeg()}
}

// velocityOf is how a motion goes on, but for what swings.
func velocityOf(m scene.Motion) *facetdv1.Velocity {
	return &facetdv1.Velocity{ForwardMPerS: m.ForwardMPerS, LeftMPerS: m.LeftMPerS, UpMPerS: m.UpMPerS,
		YawDegPerS: m.YawRateDegPerS, PitchDegPerS: m.PitchRateDegPerS, RollDegPerS: m.RollRateDegPerS}
}

func setVelocity(m *scene.Motion, v *facetdv1.Velocity) {
	m.ForwardMPerS, m.LeftMPerS, m.UpMPerS = v.GetForwardMPerS(), v.GetLeftMPerS(), v.GetUpMPerS()
	m.YawRateDegPerS, m.PitchRateDegPerS, m.RollRateDegPerS = v.GetYawDegPerS(), v.GetPitchDegPerS(),
		v.GetRollDegPerS()
}
