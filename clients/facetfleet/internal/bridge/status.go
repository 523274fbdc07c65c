package bridge

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
)

const (
	// look is how often the daemon is asked.
	look = time.Second
	// askDaemon is how long an answer of the daemon may take.
	askDaemon = 2 * time.Second
	// putStatus is how long the hub may take to acknowledge a status; then the next one goes.
	putStatus = 2 * time.Second
	// mostAlarms is how many alarms of a robot its status lists.
	mostAlarms = 20
	// askHub is how long the hub may take to say what it has.
	askHub = 2 * time.Second
)

// runStatus publishes the newest status: at the interval, when something that matters changed, and at once when the
// hub is there again. One is under way at a time; one that the hub did not acknowledge is not sent again.
func (b *Bridge) runStatus(ctx context.Context) error {
	last := b.remembered(ctx)
	var sent time.Time
	var key string
	for count := uint64(1); ctx.Err() == nil; {
		changed := b.cfg.Hub.Changed()
		began := time.Now()
		last = b.Robot(ctx, last)
		if k := matters(last); k != key || time.Since(sent) >= b.cfg.Interval-look/2 {
			last.Count = count
			count++
			if err := b.putStatus(ctx, last); err != nil {
				b.statusesLost.Add(1)
				key = ""
			} else {
				key, sent = k, began
			}
		}
		timer := time.NewTimer(look - min(look, time.Since(began)))
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-changed:
			key = ""
		}
		timer.Stop()
	}
	return nil
}

// remembered asks the hub, until it answers, how far the events of the robot had come by its last status: the first
// status of this run must not say less.
func (b *Bridge) remembered(ctx context.Context) *fleetv1.Robot {
	for ctx.Err() == nil {
		r, err := b.atHub(ctx)
		if err == nil {
			b.published.CompareAndSwap(nil, &position{r.GetBacklog().GetPublishedJournalId(),
				r.GetBacklog().GetPublishedSequence()})
			b.mu.Lock()
			if b.outcome == nil {
				b.outcome = r.GetOutcome()
			}
			b.mu.Unlock()
			close(b.known)
			return &fleetv1.Robot{DaemonTime: r.GetDaemonTime()}
		}
		b.cfg.Log("the status at the hub: " + err.Error())
		sleep(ctx, 500*time.Millisecond)
	}
	return &fleetv1.Robot{}
}

// atHub is the status that the hub has of the robot; an empty one where it has none.
func (b *Bridge) atHub(ctx context.Context) (*fleetv1.Robot, error) {
	ctx, cancel := context.WithTimeout(ctx, askHub)
	defer cancel()
	r := &fleetv1.Robot{}
	m, err := b.cfg.Hub.Newest(ctx, subject.Newest(subject.BucketStream(subject.Status),
		subject.InBucket(subject.Status, subject.Key(b.cfg.Robot))))
	switch {
	case errors.Is(err, hub.ErrNone):
		return r, nil
	case err != nil:
		return nil, err
	}
	return r, proto.Unmarshal(m.Data, r)
}

// matters is what of a status is told at once when it changes.
func matters(r *fleetv1.Robot) string {
	m := &fleetv1.Robot{DaemonAnswers: r.GetDaemonAnswers(), State: r.GetState(), Reason: r.GetReason(),
		Health: r.GetHealth(), Alarms: r.GetAlarms(), WorstChip: r.GetWorstChip(), Revision: r.GetRevision(),
		RuleViolations: r.GetRuleViolations(), Outcome: r.GetOutcome()}
	for _, a := range r.GetAlarmList() { // not their figures, which never stand still
		m.AlarmList = append(m.AlarmList, &fleetv1.RobotAlarm{Id: a.GetId(), State: a.GetState()})
	}
	text, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return err.Error()
	}
	return string(text)
}

func (b *Bridge) putStatus(ctx context.Context, r *fleetv1.Robot) error {
	data, err := proto.Marshal(r)
	if err != nil {
		return err
	}
	return b.putIn(ctx, subject.Status, subject.Key(b.cfg.Robot), data)
}

// putIn puts a value into a bucket and waits for the acknowledgement.
func (b *Bridge) putIn(ctx context.Context, bucket, key string, data []byte) error {
	ctx, cancel := context.WithTimeout(ctx, putStatus)
	defer cancel()
	m := nats.NewMsg(subject.InBucket(bucket, key))
	m.Data = data
	_, err := b.cfg.Hub.Publish(ctx, m)
	return err
}

// Robot is the robot as it is now; where the daemon does not answer, as it was last.
func (b *Bridge) Robot(ctx context.Context, last *fleetv1.Robot) *fleetv1.Robot {
	ctx, cancel := context.WithTimeout(ctx, askDaemon)
	defer cancel()
	r, err := b.readDaemon(ctx)
	if err != nil {
		r = proto.CloneOf(last)
		r.DaemonAnswers, r.Trouble = false, err.Error()
	}
	r.Name, r.Page, r.Time = b.cfg.Robot, b.cfg.Page, timestamppb.Now()
	if err == nil {
		r.DaemonTime = r.Time
	}
	seen, published := b.journal.Load(), b.hubHas()
	r.Backlog = &fleetv1.Backlog{JournalId: seen.journal, LastSequence: seen.sequence,
		PublishedJournalId: published.journal, PublishedSequence: published.sequence}
	r.Bridge, r.Uploads = b.counts(), b.uploads.status()
	b.mu.Lock()
	r.Outcome = b.outcome
	b.mu.Unlock()
	return r
}

func (b *Bridge) counts() *fleetv1.Bridge {
	return &fleetv1.Bridge{Version: b.cfg.Version, InstanceId: b.instance, Reconnects: b.cfg.Hub.NC.Stats().Reconnects,
		StatusesLost: b.statusesLost.Load(), Events: b.sent.Load(), Gaps: b.gaps.Load(), Commands: b.commands.Load(),
		FrameSets: b.frames.sets.Load(), FrameBytes: b.frames.bytes.Load(), FrameSetsSkipped: b.frames.skipped.Load(),
		Denied: b.cfg.Hub.Denied()}
}

// readDaemon asks the daemon for what a status has of it.
func (b *Bridge) readDaemon(ctx context.Context) (*fleetv1.Robot, error) {
	s, err := b.cfg.Daemon.Status(ctx)
	if err != nil {
		return nil, err
	}
	health, err := b.health.GetHealth(ctx, &facetdv1.GetHealthRequest{})
	if err != nil {
		return nil, err
	}
	tasks, err := b.tasks.ListTasks(ctx, &facetdv1.ListTasksRequest{PageSize: 1})
	if err != nil {
		return nil, err
	}
	events, err := b.events.ListEvents(ctx, &facetdv1.ListEventsRequest{PageSize: 1})
	if err != nil {
		return nil, err
	}
	b.saw(position{events.GetJournalId(), events.GetLastSequence()})
	h := health.GetHealth()
	r := &fleetv1.Robot{DaemonAnswers: true, State: s.GetState(), Reason: s.GetFault(), Version: s.GetVersion(),
		Array: s.GetArray(), Bus: s.GetBus(), Identity: s.GetIdentity(), Health: h.GetState(), Summary: h.GetSummary(),
		WorstChip: h.GetWorstChip(), Findings: uint32(len(h.GetFindings())), JobsLate: h.GetJobsLate(),
		JobsFailed: h.GetJobsFailed(), RuleViolations: s.GetRuleViolations(), Utilization: s.GetMeasuredUtilization(),
		Revision: tasks.GetRevision()}
	if reasons := s.GetSafeStop().GetReasons(); len(reasons) > 0 && r.Reason == "" {
		r.Reason = reasons[0].GetReason()
	}
	for _, f := range h.GetFindings() {
		if f.GetAcknowledgement() == nil && f.GetShelving() == nil {
			r.Alarms++
			r.AlarmList = append(r.AlarmList, &fleetv1.RobotAlarm{Id: f.GetId(), State: f.GetState(), Text: f.GetText(),
				SinceTime: f.GetSinceTime(), Action: f.GetAction()})
		}
	}
	slices.SortStableFunc(r.GetAlarmList(), func(a, b *fleetv1.RobotAlarm) int {
		return cmp.Compare(b.GetState(), a.GetState())
	})
	r.AlarmList = r.GetAlarmList()[:min(len(r.GetAlarmList()), mostAlarms)]
	for _, t := range s.GetTasks() {
		r.Tasks = append(r.Tasks, &fleetv1.RobotTask{Name: t.GetTask().GetName(), Paused: t.GetTask().GetPaused(),
			PlannedRateHz: t.GetStatus().GetPlannedRateHz(), AchievedRateHz: t.GetStatus().GetAchievedRateHz()})
	}
	return r, nil
}

// saw notes how far the journal of the daemon has come.
func (b *Bridge) saw(p position) {
	b.journal.Store(&p)
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, known := b.ends[p.journal]; !known && len(b.ends) >= 4 {
		for journal := range b.ends {
			if journal != b.hubHas().journal {
				delete(b.ends, journal)
				break
			}
		}
	}
	b.ends[p.journal] = p.sequence
}
