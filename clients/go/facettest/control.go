package facettest

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// participant is Array.Advance in lockstep.
const participant = "facettest"

// patience is how long a call may take, in host time, before the test fails.
const patience = time.Minute

// Address is where programs in other languages find the array, HOST:PORT or unix:PATH; empty without Config.Listen.
func (a *Array) Address() string {
	at := a.server.Addresses()
	if at.Unix != "" {
		return "unix:" + at.Unix
	}
	return at.GRPC
}

// advance lets bus time on to until, as a participant.
func (a *Array) advance(until time.Duration) {
	a.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	step := facetdv1.NewLockstepServiceClient(a.Client.Conn())
	if !a.joined {
		if _, err := step.JoinLockstep(ctx, &facetdv1.JoinLockstepRequest{Participant: participant}); err != nil {
			a.t.Fatalf("facettest: %v", err)
		}
		a.joined = true
	}
	if _, err := step.AdvanceTime(ctx, &facetdv1.AdvanceTimeRequest{Participant: participant,
		UntilBusNs: until.Nanoseconds()}); err != nil {
		a.t.Fatalf("facettest: bus time does not reach %v: %v", until, err)
	}
}

// SetScene replaces the light, as 'facetd serve --scene' describes it, at exactly a bus time, or now.
func (a *Array) SetScene(scene string, at ...time.Duration) {
	a.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	r := &facetdv1.SetSceneRequest{Scene: scene, AtBusNs: busTime(at)}
	if _, err := facetdv1.NewSceneServiceClient(a.Client.Conn()).SetScene(ctx, r); err != nil {
		a.t.Fatalf("facettest: %v", err)
	}
}

// SetPose moves the array in its scene at exactly a bus time, or now, and returns where it is then. A nil pose is where
// it has come to by itself; with a nil velocity it stands still from then on.
func (a *Array) SetPose(pose *facetdv1.Pose, velocity *facetdv1.Velocity, at ...time.Duration) *facetdv1.Pose {
	a.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	r := &facetdv1.SetPoseRequest{Pose: pose, Velocity: velocity, AtBusNs: busTime(at)}
	got, err := facetdv1.NewSceneServiceClient(a.Client.Conn()).SetPose(ctx, r)
	if err != nil {
		a.t.Fatalf("facettest: %v", err)
	}
	return got.GetPose()
}

// busTime is the time given, where one is.
func busTime(at []time.Duration) *int64 {
	if len(at) == 0 {
		return nil
	}
	return proto.Int64(at[0].Nanoseconds())
}
