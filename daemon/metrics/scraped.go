package metrics

import (
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/bringup"
	"facetd.example/daemon/calibration"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/health/watch"
	"facetd.example/daemon/lockstep"
	"facetd.example/daemon/motion"
	"facetd.example/daemon/probe"
	"facetd.example/daemon/record"
	"facetd.example/daemon/stream"
	"facetd.example/daemon/taskstore"
)

// scraped collects what is read from the dispatcher and the streams at every
// scrape, so that it is never older than the scrape.
type scraped struct {
	m     *Metrics
	descs map[string]*prometheus.Desc
	types map[string]prometheus.ValueType
}

// scrapedNames are the metrics of the table that scraped collects.
var scrapedNames = []string{
	nameState, nameBusInfo, nameBusSeconds, namePlannedUtil, nameMeasuredUtil, namePlannedPhase, nameMeasuredPhase,
	nameRequestedRate, namePlannedRate, nameAchievedRate, namePaused, nameFrameAge, nameWorstResponse, namePlanResponse,
	nameLeastSlack, namePlanSlack, nameTriggers,
	nameStreams, nameDropped, nameAbandoned, nameDecimated, nameUncertainty, nameUTCSteps,
	nameWorstLag, nameBehind, nameHandoverSlack,
	nameRecordings, nameRecEnded, nameRecDeleted, nameRecMessages, nameRecFrameSets, nameRecBytes, nameRecLost,
	nameRecLostSets,
	nameRecFree,
	nameStoredTasks, nameUnstored, nameSafeStops, nameUnconfirmed, nameStopUnstored,
	nameEvents, nameEventsLost, nameEventStreams, nameEventsDropped, nameEventsLeft,
	nameParticipants, nameStalled,
	nameRefused,
	nameMapAge, nameMaps, nameCorrected, nameNotCorrected,
	nameProbes, nameProbedChips, nameInjected, nameBringupSteps,
	nameChips, nameFindings, nameShelved, nameSamples, nameSkipped,
	nameDevice, nameDeviceLosses, nameDeviceReboots, nameDeviceRuns, nameDeviceSlack, nameDeviceClock, nameDeviceDrift,
	nameDeviceTrip, nameDeviceMessages, nameDevicePrograms, nameDeviceFaults, nameDeviceContradicted,
	nameDeviceTested, nameDeviceVolts, nameDeviceAmperes, nameDeviceCelsius,
	nameMotionStreams, nameMotion, nameMotionRefused, nameMotionDropped, nameMotionLost,
}

func newScraped(m *Metrics, table map[string]Metric) *scraped {
	s := &scraped{m: m, descs: map[string]*prometheus.Desc{}, types: map[string]prometheus.ValueType{}}
	for _, name := range scrapedNames {
		d := table[name]
		s.descs[name] = prometheus.NewDesc(d.Name, d.Help, d.Labels, nil)
		s.types[name] = prometheus.GaugeValue
		if d.Type == Counter {
			s.types[name] = prometheus.CounterValue
		}
	}
	return s
}

// Describe names every metric.
func (s *scraped) Describe(out chan<- *prometheus.Desc) {
	for _, d := range s.descs {
		out <- d
	}
}

// sender sends the value of a metric's series.
type sender func(name string, v float64, labels ...string)

// Collect asks the sources.
func (s *scraped) Collect(out chan<- prometheus.Metric) {
	s.m.mu.Lock()
	source := s.m.source
	s.m.mu.Unlock()
	send := func(name string, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(s.descs[name], s.types[name], v, labels...)
	}
	s.sendBus(&source, send)
	if source.Streams != nil {
		sendStreams(source.Streams(), send)
	}
	if source.Uncertainty != nil {
		send(nameUncertainty, source.Uncertainty().Seconds())
	}
	if source.UTCSteps != nil {
		send(nameUTCSteps, float64(source.UTCSteps()))
	}
	if source.Recordings != nil {
		sendRecordings(source.Recordings(), send)
	}
	if source.StoredTasks != nil {
		st := source.StoredTasks()
		for _, state := range storedStates[:4] {
			send(nameStoredTasks, float64(st.Entries[taskstore.Kind(state)]), state)
		}
		send(nameStoredTasks, float64(st.Aside), storedStates[4])
		send(nameUnstored, float64(st.Unstored))
	}
	if source.SafeStop != nil {
		st := source.SafeStop()
		send(nameSafeStops, float64(st.Stops))
		send(nameUnconfirmed, boolValue(st.Unconfirmed))
		send(nameStopUnstored, boolValue(st.Unstored))
	}
	if source.Lockstep != nil {
		sendLockstep(source.Lockstep(), send)
	}
	if source.Events != nil {
		sendEvents(source.Events(), send)
	}
	if source.Refused != nil {
		for reason, n := range source.Refused() {
			send(nameRefused, float64(n), reason)
		}
	}
	if source.Health != nil {
		sendHealth(source.Health(), send)
	}
	if source.Probes != nil {
		sendProbes(source.Probes(), send)
	}
	if source.Bringups != nil {
		sendBringups(source.Bringups(), send)
	}
	if source.Motion != nil {
		sendMotion(source.Motion(), send)
	}
	if source.CorrectionMaps != nil {
		sendMaps(source.CorrectionMaps(), send)
	}
}

// sendBus sends what the bus and its dispatcher say.
func (s *scraped) sendBus(source *Source, send sender) {
	if b := source.Bus; b.Array != "" {
		send(nameBusInfo, 1, b.Array, b.Kind, strings.ToLower(strings.TrimPrefix(b.Pace.String(), "PACE_")))
	}
	if source.Snapshot != nil {
		s.sendSnapshot(source.Snapshot(), send)
	}
	if source.Device != nil {
		sendDevice(source.Device(), send)
	}
}

func sendLockstep(st lockstep.Stats, send sender) {
	send(nameParticipants, float64(st.Participants), "joined")
	send(nameParticipants, float64(st.Missing), "missing")
	send(nameStalled, float64(st.Stalled))
}

func (s *scraped) sendSnapshot(snap dispatch.Snapshot, send sender) {
	for _, state := range []facetdv1.State{
		facetdv1.State_STATE_STARTING, facetdv1.State_STATE_RUNNING, facetdv1.State_STATE_FAULT,
		facetdv1.State_STATE_STOPPING, facetdv1.State_STATE_SAFE_STOP,
	} {
		send(nameState, boolValue(snap.State == state), strings.ToLower(strings.TrimPrefix(state.String(), "STATE_")))
	}
	send(nameBusSeconds, snap.Now.Elapsed().Seconds())
	send(nameWorstLag, snap.Lag.Worst.Seconds())
	send(nameBehind, float64(snap.Lag.Times))
	if snap.Lag.LeastSlack != bus.NoSlack {
		send(nameHandoverSlack, snap.Lag.LeastSlack.Seconds())
	}
	send(namePlannedUtil, snap.PlannedUtil)
	measured := func(busy time.Duration) float64 {
		if snap.Measured <= 0 {
			return 0
		}
		return busy.Seconds() / snap.Measured.Seconds()
	}
	send(nameMeasuredUtil, measured(snap.Busy.Total()))
	planned := map[facetdv1.Phase]float64{}
	for _, p := range snap.Plan.GetPhases() {
		planned[p.GetPhase()] = p.GetFraction()
	}
	for phase, name := range phaseNames {
		if name != "" {
			send(namePlannedPhase, planned[facetdv1.Phase(phase)], name)
			send(nameMeasuredPhase, measured(snap.Busy[phase]), name)
		}
	}
	predicted := map[string]*facetdv1.Prediction{}
	for _, p := range snap.Plan.GetPredictions() {
		predicted[p.GetTask()] = p
	}
	for _, t := range snap.Tasks {
		name, status := t.GetTask().GetName(), t.GetStatus()
		paused := 0.0
		if status.GetPaused() {
			paused = 1
		}
		send(namePaused, paused, name)
		sporadic := t.GetTask().GetLeastInterval() != nil
		if sporadic {
			send(nameTriggers, float64(status.GetTriggers()), name, taken)
			send(nameTriggers, float64(status.GetTriggersRefused()), name, refused)
		} else { // with one of reservations an alert would find fault with a task that nobody triggers
			send(nameRequestedRate, status.GetRequestedRateHz(), name)
			send(namePlannedRate, status.GetPlannedRateHz(), name)
		}
		if p := predicted[name]; p != nil {
			send(namePlanResponse, seconds(p.GetWorstResponseNs()), name)
			send(namePlanSlack, seconds(p.GetLeastSlackNs()), name)
		}
		s.sendSeen(name, sporadic, snap.Now, send)
	}
}

// sendSeen sends what the observer knows of a task. Between the dispatcher's change of
// tasks and the observer's news of it a task may be unknown: then only its rate is there. The frames of a sporadic one
// have no age to be watched.
func (s *scraped) sendSeen(task string, sporadic bool, now bus.Time, send sender) {
	seen, known := s.m.look(task, now)
	send(nameAchievedRate, seen.achievedHz, task)
	if known && !sporadic { // as old as its last trigger is, at least
		send(nameFrameAge, seen.age.Seconds(), task)
	}
	if seen.any {
		send(nameWorstResponse, seen.worst.Seconds(), task)
		send(nameLeastSlack, seen.least.Seconds(), task)
	}
}

func sendRecordings(st record.Stats, send sender) {
	send(nameRecordings, float64(st.Running))
	send(nameRecEnded, float64(st.Closed), closed)
	send(nameRecEnded, float64(st.Failed), failed)
	send(nameRecDeleted, float64(st.Deleted.Request), byRequest)
	send(nameRecDeleted, float64(st.Deleted.Age), byAge)
	send(nameRecDeleted, float64(st.Deleted.Size), bySize)
	send(nameRecMessages, float64(st.Messages))
	send(nameRecFrameSets, float64(st.FrameSets))
	send(nameRecBytes, float64(st.Bytes))
	send(nameRecLost, float64(st.Lost))
	send(nameRecLostSets, float64(st.LostFrameSets))
	if st.HasFreeSpace {
		send(nameRecFree, float64(max(st.FreeSpace, 0)))
	}
}

func sendEvents(st events.Stats, send sender) {
	for severity, name := range severities {
		if name != "" {
			send(nameEvents, float64(st.Appended[severity]), name)
		}
	}
	for i, n := range []uint64{st.QueueFull, st.DiskRefused, st.Removed} {
		send(nameEventsLost, float64(n), lossReasons[i])
	}
	send(nameEventStreams, float64(st.Streams))
	send(nameEventsDropped, float64(st.Dropped))
	send(nameEventsLeft, float64(st.Abandoned))
}

func sendStreams(st stream.Stats, send sender) {
	send(nameStreams, float64(st.Open))
	for policy, n := range st.Dropped {
		send(nameDropped, float64(n), policyNames[policy])
	}
	send(nameAbandoned, float64(st.Abandoned))
	send(nameDecimated, float64(st.Decimated))
}

func sendHealth(st watch.Stats, send sender) {
	for i, v := range chipStates {
		send(nameChips, float64(st.Chips[facetdv1.HealthState(i+1)]), v)
	}
	for i, v := range findingKinds {
		send(nameFindings, float64(st.Findings[facetdv1.HealthFindingKind(i+1)]), v)
	}
	send(nameShelved, float64(st.Shelved))
	send(nameSamples, float64(st.Samples))
	send(nameSkipped, float64(st.Skipped))
}

func sendProbes(st probe.Stats, send sender) {
	for i, v := range probeVerdicts {
		send(nameProbes, float64(st.Probes[facetdv1.ProbeVerdict(i+1)]), v)
	}
	if st.Probed {
		for i, n := range []int{st.Answering, st.Silent, st.NotMeasured} {
			send(nameProbedChips, float64(n), probedStates[i])
		}
	}
	if st.Virtual {
		send(nameInjected, float64(st.Injected))
	}
}

func sendBringups(st bringup.Stats, send sender) {
	for i, v := range bringupVerdicts {
		send(nameBringupSteps, float64(st.Steps[facetdv1.Verdict(i+1)]), v)
	}
}

func sendMotion(st motion.Stats, send sender) {
	send(nameMotionStreams, float64(st.Open))
	send(nameMotion, float64(st.Estimates))
	for reason, n := range st.Refused {
		send(nameMotionRefused, float64(n), reason)
	}
	send(nameMotionDropped, float64(st.Dropped))
	send(nameMotionLost, float64(st.Lost))
}

func sendMaps(st calibration.Stats, send sender) {
	for chip, age := range st.OldestSeconds {
		send(nameMapAge, age, chip)
	}
	for i, n := range []int{st.Active, st.Stale, st.Refused} {
		send(nameMaps, float64(n), mapStates[i])
	}
	send(nameCorrected, float64(st.Corrected))
	for i, n := range []uint64{st.NoMap, st.UnknownView, st.Mismatch, st.Incomplete} {
		send(nameNotCorrected, float64(n), rawReasons[i])
	}
}

func boolValue(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
