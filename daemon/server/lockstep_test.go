package server

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/config"
)

// inLockstep is the quick array with two tasks.
func inLockstep() Setup {
	c := quick()
	c.Pace, c.Tasks, c.Scene = config.Lockstep, "tasks.yaml", "demo:high=800,lamp=0.9"
	read := c.ReadFile
	c.ReadFile = func(name string) ([]byte, error) {
		if name == "tasks.yaml" {
			return []byte("tasks:\n- {name: crown, target: {group: crown}, rate_hz: 10, views: [{name: v}]}\n" +
				"- {name: bow, target: {group: bow}, rate_hz: 25, views: [{name: v}]}\n"), nil
		}
		return read(name)
	}
	return c
}

// partner is a participant.
type partner struct {
	t    *testing.T
	name string
	step facetdv1.LockstepServiceClient
}

func join(t *testing.T, conn grpc.ClientConnInterface, name string) partner {
	t.Helper()
	p := partner{t, name, facetdv1.NewLockstepServiceClient(conn)}
	if _, err := p.step.JoinLockstep(limited(t), &facetdv1.JoinLockstepRequest{Participant: name}); err != nil {
		t.Fatal(err)
	}
	return p
}

func (p partner) advance(until time.Duration) *facetdv1.AdvanceTimeResponse {
	p.t.Helper()
	r, err := p.step.AdvanceTime(limited(p.t), &facetdv1.AdvanceTimeRequest{Participant: p.name,
		UntilBusNs: until.Nanoseconds()})
	if err != nil {
		p.t.Fatal(err)
	}
	return r
}

// lockstepRun steers an array for a while, and returns a digest of every message that it was given.
func lockstepRun(t *testing.T, pause func(i int, conn *grpc.ClientConn)) string {
	t.Helper()
	conn, stop := running(t, inLockstep())
	frames, scenes := facetdv1.NewFrameServiceClient(conn), facetdv1.NewSceneServiceClient(conn)
	me := join(t, conn, "me")
	sum := sha256.New()
	add := func(m proto.Message) {
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		sum.Write(b)
	}
	follow, err := frames.FollowFrameSets(limited(t))
	if err != nil {
		t.Fatal(err)
	}
	if err := follow.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Start{
		Start: &facetdv1.FollowStart{FrameSets: 4, Overflow: facetdv1.Overflow_OVERFLOW_QUEUE,
			QueueLength: 2}}}); err != nil {
		t.Fatal(err)
	}
	begun, err := follow.Recv()
	if err != nil || begun.GetBegun() == nil {
		t.Fatalf("%v, %v", begun, err)
	}
	add(begun)
	sets, dropped := uint64(0), uint64(0)
	for i := range 12 {
		at := time.Duration(i+1) * 83 * time.Millisecond
		got := me.advance(at)
		if got.GetBusNs() != at.Nanoseconds() {
			t.Fatalf("at %d, allowed %v", got.GetBusNs(), at)
		}
		add(got)
		pause(i, conn)
		// What was granted has come; now and then nothing is granted, and something is dropped.
		var ended uint64
		for _, p := range got.GetTasks() {
			ended += p.GetJobsEnded()
		}
		for granted := uint64(4 * (i/4 + 1)); sets < granted && sets+dropped < ended; sets++ {
			m, err := follow.Recv()
			if err != nil || m.GetDelivery() == nil {
				t.Fatalf("set %d of %d: %v, %v", sets, ended, m, err)
			}
			dropped += m.GetDelivery().GetDropped()
			add(m)
		}
		if i%4 == 3 {
			if err := follow.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Grant{
				Grant: &facetdv1.FollowGrant{FrameSets: 4}}}); err != nil {
				t.Fatal(err)
			}
			for range 2 { // that waited
				m, err := follow.Recv()
				if err != nil {
					t.Fatal(err)
				}
				dropped += m.GetDelivery().GetDropped()
				sets++
				add(m)
			}
		}
		moved, err := scenes.SetPose(limited(t), &facetdv1.SetPoseRequest{
			Velocity: &facetdv1.Velocity{LeftMPerS: 0.2 * float64(i%3-1), ForwardMPerS: 0.1},
			AtBusNs:  proto.Int64((at + time.Duration(i)*time.Millisecond).Nanoseconds())})
		if err != nil {
			t.Fatal(err)
		}
		add(moved)
	}
	if sets < 12 || dropped == 0 {
		t.Errorf("%d sets came and %d were dropped", sets, dropped)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
	return hex.EncodeToString(sum.Sum(nil))
}

// The same calls give the same messages to the last byte, whatever the client and the host do in between.
func TestLockstepIsRepeatable(t *testing.T) {
	t.Parallel()
	once := lockstepRun(t, func(int, *grpc.ClientConn) {})
	again := lockstepRun(t, func(i int, conn *grpc.ClientConn) { // a client that does other things in between
		for range i % 3 {
			if _, err := facetdv1.NewStatusServiceClient(conn).GetStatus(limited(t),
				&facetdv1.GetStatusRequest{}); err != nil {
				t.Error(err)
			}
		}
	})
	if once != again {
		t.Errorf("digests %s and %s", once, again)
	}
}

// Bus time goes as far as the slowest allows; who holds it is named, and can be removed; what takes bus time waits.
func TestLockstepWaitsForTheSlowest(t *testing.T) {
	t.Parallel()
	c := inLockstep()
	c.Lockstep.Participants, c.Lockstep.StalledAfter = []string{"arm", "eye"}, 20*time.Millisecond
	p := start(t, c)
	conn := p.dial(p.Addresses().GRPC)
	steps := facetdv1.NewLockstepServiceClient(conn)
	get := func() *facetdv1.Lockstep {
		t.Helper()
		r, err := steps.GetLockstep(limited(t), &facetdv1.GetLockstepRequest{})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetLockstep()
	}
	eye := join(t, conn, "eye")
	ahead := make(chan *facetdv1.AdvanceTimeResponse, 1)
	go func() { ahead <- eye.advance(300 * time.Millisecond) }()
	eventually(t, "the one that is missing is named", func() bool {
		m := get()
		told := p.eventsOf(facetdv1.EventKind_EVENT_KIND_LOCKSTEP) // with eye, where that was slow to join
		return len(m.GetMissing()) == 1 && m.GetMissing()[0] == "arm" && m.GetBusNs() == 0 &&
			strings.Contains(told, "arm") && strings.Contains(told, "not joined")
	})
	arm := join(t, conn, "arm")
	if got := arm.advance(100 * time.Millisecond); got.GetBusNs() != 1e8 {
		t.Errorf("bus time %d", got.GetBusNs())
	}
	if again := arm.advance(50 * time.Millisecond); again.GetBusNs() != 1e8 {
		t.Errorf("an earlier time took bus time to %d", again.GetBusNs())
	}
	eventually(t, "the one that holds is named", func() bool {
		for _, m := range p.Status().GetLockstep().GetParticipants() {
			if m.GetName() == "arm" && m.GetHolds() && m.GetStalled() && m.GetHeldNs() > 0 {
				return true
			}
		}
		return false
	})
	if got := p.metric("facetd_lockstep_stalled_participants"); got != 1 {
		t.Errorf("%v have stalled", got)
	}
	if events := p.eventsOf(facetdv1.EventKind_EVENT_KIND_LOCKSTEP); !strings.Contains(events, "arm has let") {
		t.Errorf("events %s", events)
	}
	arm.advance(120 * time.Millisecond)
	if m := get().GetParticipants()[0]; m.GetName() != "arm" || m.GetUntilBusNs() != 12e7 {
		t.Errorf("%v", m)
	}
	// A capture takes bus time, and waits for it.
	captured := make(chan error, 1)
	go func() {
		_, err := facetdv1.NewFrameServiceClient(conn).CaptureFrames(limited(t), &facetdv1.CaptureFramesRequest{
			Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bed"}}})
		captured <- err
	}()
	eventually(t, "the capture waits", func() bool { return get().GetWaitingCalls() == 1 })
	if _, err := steps.LeaveLockstep(limited(t), &facetdv1.LeaveLockstepRequest{Participant: "arm"}); err != nil {
		t.Fatal(err)
	}
	if got := <-ahead; got.GetBusNs() != 3e8 {
		t.Errorf("without the slowest bus time came to %d", got.GetBusNs())
	}
	if err := <-captured; err != nil {
		t.Error(err)
	}
	testLockstepErrors(t, conn)
	cut, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	_, err := steps.AdvanceTime(cut, &facetdv1.AdvanceTimeRequest{Participant: "eye", UntilBusNs: 5e9})
	if code := status.Code(err); err != nil && code != codes.DeadlineExceeded {
		t.Errorf("a call that was cut off: %v", err)
	}
	if got := eye.advance(5 * time.Second); got.GetBusNs() != 5e9 { // it had been allowed
		t.Errorf("bus time %d", got.GetBusNs())
	}
}

// testLockstepErrors is with bus time 0.3 s, and eye alone.
func testLockstepErrors(t *testing.T, conn *grpc.ClientConn) {
	steps, scenes := facetdv1.NewLockstepServiceClient(conn), facetdv1.NewSceneServiceClient(conn)
	ctx := limited(t)
	wants := func(what string, code codes.Code, err error) {
		t.Helper()
		if status.Code(err) != code {
			t.Errorf("%s: %v, want %v", what, err, code)
		}
	}
	_, err := steps.AdvanceTime(ctx, &facetdv1.AdvanceTimeRequest{Participant: "arm", UntilBusNs: 1})
	wants("advance after leaving", codes.NotFound, err)
	_, err = steps.LeaveLockstep(ctx, &facetdv1.LeaveLockstepRequest{Participant: "arm"})
	wants("leave twice", codes.NotFound, err)
	_, err = steps.AdvanceTime(ctx, &facetdv1.AdvanceTimeRequest{Participant: "eye", UntilBusNs: -1})
	wants("a time before the start", codes.InvalidArgument, err)
	_, err = steps.JoinLockstep(ctx, &facetdv1.JoinLockstepRequest{Participant: "a\nb"})
	wants("a name of two lines", codes.InvalidArgument, err)
	_, err = scenes.SetPose(ctx, &facetdv1.SetPoseRequest{AtBusNs: proto.Int64(299_999_999)})
	wants("a pose in the past", codes.OutOfRange, err)
	_, err = scenes.SetPose(ctx, &facetdv1.SetPoseRequest{Pose: &facetdv1.Pose{LeftM: 1e9}})
	wants("a pose far away", codes.InvalidArgument, err)
	kelvin := 400.0
	_, err = scenes.SetScene(ctx, &facetdv1.SetSceneRequest{Scene: "uniform:3", TemperatureOffsetK: &kelvin})
	wants("dies that melt", codes.InvalidArgument, err)
	_, err = scenes.SetScene(ctx, &facetdv1.SetSceneRequest{Scene: "uniform:3", AtBusNs: proto.Int64(4e8)})
	wants("a scene to come", codes.OK, err)
	_, err = scenes.SetPose(ctx, &facetdv1.SetPoseRequest{AtBusNs: proto.Int64(5e8)})
	wants("a pose without a picture", codes.FailedPrecondition, err)
	now, err := scenes.GetScene(ctx, &facetdv1.GetSceneRequest{})
	if err != nil || !strings.HasPrefix(now.GetEnvironment().GetScene(), "demo") ||
		now.GetEnvironment().GetPose() == nil {
		t.Errorf("active %v, %v", now, err)
	}
}

// A stream that asked for frame sets and does not read them is named after a while, once, and bus time goes on without
// it; once it reads it is waited for again. Who gives up advancing meanwhile changes nothing.
func TestLockstepNamesAStreamThatIsNotRead(t *testing.T) {
	t.Parallel()
	c := inLockstep()
	c.Lockstep.StalledAfter = 100 * time.Millisecond
	p := start(t, c)
	// What fits into the window of a stream is sent, read or not: the largest window of the transport that is fixed.
	conn, err := grpc.NewClient(p.Addresses().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithInitialWindowSize(1<<16))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	me := join(t, conn, "me")
	follow, err := facetdv1.NewFrameServiceClient(conn).FollowFrameSets(limited(t))
	if err != nil {
		t.Fatal(err)
	}
	if err := follow.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Start{
		Start: &facetdv1.FollowStart{FrameSets: 1000, Overflow: facetdv1.Overflow_OVERFLOW_QUEUE,
			QueueLength: 100}}}); err != nil {
		t.Fatal(err)
	}
	if _, err := follow.Recv(); err != nil {
		t.Fatal(err)
	}
	named := func() int {
		return strings.Count(p.eventsOf(facetdv1.EventKind_EVENT_KIND_LOCKSTEP), "has not read them")
	}
	at := time.Duration(0)
	for at < 30*time.Second && named() == 0 {
		at += 200 * time.Millisecond
		cut, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
		_, err := me.step.AdvanceTime(cut, &facetdv1.AdvanceTimeRequest{Participant: me.name,
			UntilBusNs: at.Nanoseconds()})
		if cancel(); err != nil && status.Code(err) != codes.DeadlineExceeded {
			t.Fatal(err)
		}
		me.advance(at)
	}
	stalled := at
	if me.advance(stalled + 2*time.Second); named() != 1 {
		t.Fatalf("named %d times at %v", named(), at)
	}
	var last int64
	for last < (stalled + 1800*time.Millisecond).Nanoseconds() { // it reads all that there is
		m, err := follow.Recv()
		if err != nil {
			t.Fatal(err)
		}
		last = max(last, m.GetDelivery().GetFrameSet().GetFinishBusNs())
	}
	for at = stalled + 2*time.Second; at < stalled+60*time.Second && named() == 1; at += 200 * time.Millisecond {
		me.advance(at)
	}
	if named() != 2 {
		t.Errorf("after it had read and stalled again it was named %d times", named())
	}
}

// At any other pace nobody holds bus time.
func TestNotInLockstep(t *testing.T) {
	t.Parallel()
	conn, _ := running(t, quick())
	steps := facetdv1.NewLockstepServiceClient(conn)
	ctx := limited(t)
	_, joined := steps.JoinLockstep(ctx, &facetdv1.JoinLockstepRequest{Participant: "x"})
	_, advanced := steps.AdvanceTime(ctx, &facetdv1.AdvanceTimeRequest{Participant: "x"})
	_, left := steps.LeaveLockstep(ctx, &facetdv1.LeaveLockstepRequest{Participant: "x"})
	_, got := steps.GetLockstep(ctx, &facetdv1.GetLockstepRequest{})
	for i, err := range []error{joined, advanced, left, got} {
		if status.Code(err) != codes.FailedPrecondition {
			t.Errorf("call %d: %v", i, err)
		}
	}
}

// A call that waits for bus time is told that the daemon is going down, not that something within it went wrong.
func TestLockstepGoesDownUnderACall(t *testing.T) {
	t.Parallel()
	conn, stop := running(t, inLockstep())
	me := join(t, conn, "me")
	me.advance(300 * time.Millisecond)
	removed := make(chan error, 1)
	go func() {
		_, err := facetdv1.NewTaskServiceClient(conn).DeleteTask(limited(t), &facetdv1.DeleteTaskRequest{Name: "bow"})
		removed <- err
	}()
	eventually(t, "the change waits", func() bool {
		r, err := me.step.GetLockstep(limited(t), &facetdv1.GetLockstepRequest{})
		return err == nil && r.GetLockstep().GetWaitingCalls() == 1
	})
	if err := stop(); err != nil {
		t.Error(err)
	}
	if err := <-removed; status.Code(err) != codes.Unavailable {
		t.Errorf("the change: %v", err)
	}
}
