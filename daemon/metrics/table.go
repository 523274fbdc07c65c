package metrics

import (
	"slices"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/access"
	"facetd.example/daemon/motion"
)

// Type is the type of a metric in the exposition format.
type Type string

// The types used here.
const (
	Counter   Type = "counter"
	Gauge     Type = "gauge"
	Histogram Type = "histogram"
)

// Metric describes one metric. The code registers from these descriptions, and
// METRICS.md is written from them.
type Metric struct {
	Name   string
	Type   Type
	Unit   string // base unit, or empty for plain counts
	Labels []string
	Help   string
	// Values are the values of the last label where they are fixed.
	Values []string
	// Buckets are the upper bounds of a histogram's buckets.
	Buckets []float64
}

// Names of the metrics.
const (
	nameBuildInfo      = "facetd_build_info"
	nameState          = "facetd_state"
	nameBusInfo        = "facetd_bus_info"
	nameBusSeconds     = "facetd_bus_seconds_total"
	nameBusBusy        = "facetd_bus_busy_seconds_total"
	namePlannedUtil    = "facetd_planned_utilization_ratio"
	nameMeasuredUtil   = "facetd_measured_utilization_ratio"
	namePlannedPhase   = "facetd_planned_phase_utilization_ratio"
	nameMeasuredPhase  = "facetd_measured_phase_utilization_ratio"
	namePlanChanges    = "facetd_plan_changes_total"
	nameJobs           = "facetd_jobs_total"
	nameDeadlineMisses = "facetd_deadline_misses_total"
	nameTriggers       = "facetd_triggers_total"
	nameFrames         = "facetd_frames_total"
	nameOnDemand       = "facetd_on_demand_total"
	nameRequestedRate  = "facetd_task_requested_rate_hertz"
	namePlannedRate    = "facetd_task_planned_rate_hertz"
	nameAchievedRate   = "facetd_task_achieved_rate_hertz"
	namePaused         = "facetd_task_paused"
	nameFrameAge       = "facetd_task_frame_age_seconds"
	nameWorstResponse  = "facetd_task_worst_response_seconds"
	namePlanResponse   = "facetd_task_planned_response_seconds"
	nameLeastSlack     = "facetd_task_least_slack_seconds"
	namePlanSlack      = "facetd_task_planned_slack_seconds"
	nameResponse       = "facetd_response_seconds"
	nameSkew           = "facetd_skew_seconds"
	nameHold           = "facetd_hold_seconds"
	nameSelectWords    = "facetd_select_words_total"
	nameStreams        = "facetd_streams"
	nameDropped        = "facetd_stream_dropped_frame_sets_total"
	nameAbandoned      = "facetd_stream_abandoned_frame_sets_total"
	nameDecimated      = "facetd_stream_decimated_frame_sets_total"
	nameViolations     = "facetd_rule_violations_total"
	nameUncertainty    = "facetd_host_time_uncertainty_seconds"
	nameUTCSteps       = "facetd_utc_steps_total"
	nameWorstLag       = "facetd_host_worst_lag_seconds"
	nameBehind         = "facetd_host_behind_total"
	nameHandoverSlack  = "facetd_handover_least_slack_seconds"
	nameRecordings     = "facetd_recordings_running"
	nameRecEnded       = "facetd_recordings_ended_total"
	nameRecDeleted     = "facetd_recordings_deleted_total"
	nameRecMessages    = "facetd_recording_messages_total"
	nameRecFrameSets   = "facetd_recording_frame_sets_total"
	nameRecBytes       = "facetd_recording_written_bytes_total"
	nameRecLost        = "facetd_recording_lost_messages_total"
	nameRecLostSets    = "facetd_recording_lost_frame_sets_total"
	nameRecFree        = "facetd_recording_free_bytes"
	nameStoredTasks    = "facetd_stored_tasks"
	nameUnstored       = "facetd_unstored_task_changes"
	nameSafeStops      = "facetd_safe_stops_total"
	nameParticipants   = "facetd_lockstep_participants"
	nameStalled        = "facetd_lockstep_stalled_participants"
	nameUnconfirmed    = "facetd_safe_stop_unconfirmed"
	nameStopUnstored   = "facetd_safe_stop_unstored"
	nameEvents         = "facetd_events_total"
	nameEventsLost     = "facetd_journal_lost_events_total"
	nameEventStreams   = "facetd_event_streams"
	nameEventsDropped  = "facetd_event_stream_dropped_events_total"
	nameEventsLeft     = "facetd_event_stream_abandoned_events_total"
	nameRefused        = "facetd_access_refused_total"
	nameMapAge         = "facetd_correction_map_age_seconds"
	nameMaps           = "facetd_correction_maps"
	nameCorrected      = "facetd_corrected_frames_total"
	nameNotCorrected   = "facetd_correction_refused_frames_total"
	nameProbes         = "facetd_probes_total"
	nameProbedChips    = "facetd_probed_chips"
	nameInjected       = "facetd_injected_faults"
	nameBringupSteps   = "facetd_bringup_steps_total"
	nameChips          = "facetd_chips"
	nameFindings       = "facetd_health_findings"
	nameShelved        = "facetd_health_shelved_findings"
	nameSamples        = "facetd_health_samples_total"
	nameSkipped        = "facetd_health_skipped_samples_total"
	nameDevice         = "facetd_device_connected"
	nameDeviceLosses   = "facetd_device_losses_total"
	nameDeviceReboots  = "facetd_device_reboots_total"
	nameDeviceRuns     = "facetd_device_runs_total"
	nameDeviceSlack    = "facetd_device_least_slack_seconds"
	nameDeviceClock    = "facetd_device_clock_uncertainty_seconds"
	nameDeviceDrift    = "facetd_device_clock_drift_ratio"
	nameDeviceTrip     = "facetd_device_round_trip_seconds"
	nameDeviceMessages = "facetd_device_messages_total"
	nameDevicePrograms = "facetd_device_programs"
	nameDeviceVolts    = "facetd_device_supply_volts"
	nameDeviceAmperes  = "facetd_device_current_amperes"
	nameDeviceCelsius  = "facetd_device_temperature_celsius"
	nameDeviceTested   = "facetd_device_self_test_passed"
	nameDeviceFaults   = "facetd_device_link_faults_total"

	nameDeviceContradicted = "facetd_device_contradicted_runs_total"
	nameMotion             = "facetd_motion_estimates_total"
	nameMotionRefused      = "facetd_motion_refused_total"
	nameMotionStreams      = "facetd_motion_streams"
	nameMotionDropped      = "facetd_motion_dropped_estimates_total"
	nameMotionLost         = "facetd_motion_lost_frame_sets_total"
)

// Buckets: the response of a job is at most its period, the skew of a set that is
// loaded at once is 0, and holds lie between the two.
var (
	responseBuckets = []float64{0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2}
	skewBuckets     = []float64{0, 1e-6, 1e-5, 1e-4, 2e-4, 5e-4, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1}
)

// Table describes every metric of facetd itself, in the order of METRICS.md. The
// registry also holds the usual go_ and process_ metrics.
func Table() []Metric { return slices.Clone(table) }

var ofTask = []string{"task"}

var table = []Metric{
	{Name: nameBuildInfo, Type: Gauge, Labels: []string{"version", "goversion"},
		Help: "Always 1; the labels say which build of facetd runs."},
	{Name: nameState, Type: Gauge, Labels: []string{"state"},
		Values: []string{"starting", "running", "fault", "stopping", "safe_stop"},
		Help:   "1 for the state that the daemon is in, 0 for the others."},
	{Name: nameBusInfo, Type: Gauge, Labels: []string{"array", "bus", "pace"},
		Help: "Always 1; the labels say which array is run, on which kind of bus, and how its time runs: realtime " +
			"or free on a virtual bus, unspecified on any other."},
	{Name: nameBusSeconds, Type: Counter, Unit: "seconds",
		Help: "Bus time since the bus started. On a virtual bus it is virtual time."},
	{Name: nameBusBusy, Type: Counter, Unit: "seconds", Labels: []string{"phase"}, Values: phaseNames[1:],
		Help: "Bus time that the bus was busy, by what it did; initializations and on-demand jobs included."},
	{Name: namePlannedUtil, Type: Gauge, Unit: "ratio",
		Help: "Fraction of bus time that the active timetable uses, 0 to 1."},
	{Name: nameMeasuredUtil, Type: Gauge, Unit: "ratio",
		Help: "Fraction of bus time that the bus was busy, 0 to 1: over the whole cycles of the timetable since it " +
			"took effect, or until now in its first."},
	{Name: namePlannedPhase, Type: Gauge, Unit: "ratio", Labels: []string{"phase"}, Values: phaseNames[1:],
		Help: "Fraction of bus time that the active timetable uses, by what it does, 0 to 1."},
	{Name: nameMeasuredPhase, Type: Gauge, Unit: "ratio", Labels: []string{"phase"}, Values: phaseNames[1:],
		Help: "Measured utilization by what the bus did, 0 to 1; over the same time as the whole."},
	{Name: namePlanChanges, Type: Counter, Help: "Timetables that took effect, the first included."},
	{Name: nameJobs, Type: Counter, Labels: []string{"task", "outcome"}, Values: outcomes,
		Help: "Jobs that ended, by outcome: on time, after their deadline, or failed with a cause."},
	{Name: nameDeadlineMisses, Type: Counter, Labels: ofTask,
		Help: "Jobs that delivered no complete frame set by their deadline: late or failed."},
	{Name: nameTriggers, Type: Counter, Labels: []string{"task", "answer"}, Values: []string{taken, refused},
		Help: "Triggers of a sporadic task: taken, each of which is a job, or refused, as they came too soon or as " +
			"the bus was not driven. They begin anew when the task is removed and added."},
	{Name: nameFrames, Type: Counter, Labels: ofTask, Help: "Frames of jobs that did not fail."},
	{Name: nameOnDemand, Type: Counter, Labels: []string{"outcome"}, Values: []string{done, failed},
		Help: "On-demand captures and commands that ran in idle gaps, by outcome; they have no deadline."},
	{Name: nameRequestedRate, Type: Gauge, Unit: "hertz", Labels: ofTask,
		Help: "Rate that was asked for, in jobs per bus second; there is none of a sporadic task."},
	{Name: namePlannedRate, Type: Gauge, Unit: "hertz", Labels: ofTask,
		Help: "Rate of the active timetable, in jobs per bus second; there is none of a sporadic task."},
	{Name: nameAchievedRate, Type: Gauge, Unit: "hertz", Labels: ofTask, Help: achievedHelp},
	{Name: namePaused, Type: Gauge, Labels: ofTask,
		Help: "1 while the task is paused: it keeps its place in the timetable, and has no jobs."},
	{Name: nameFrameAge, Type: Gauge, Unit: "seconds", Labels: ofTask,
		Help: "Time of the host's clock since the last complete frame set of the task ended, late ones included; " +
			"before the first, since the task came into the timetable, or was paused or resumed. There is none of a " +
			"sporadic task, which may rest for as long as nobody triggers it."},
	{Name: nameWorstResponse, Type: Gauge, Unit: "seconds", Labels: ofTask,
		Help: "Longest bus time from the release of a job to its end, of jobs released since the active timetable " +
			"took effect; failed jobs are left out, and there is none before the first job."},
	{Name: namePlanResponse, Type: Gauge, Unit: "seconds", Labels: ofTask,
		Help: "Longest bus time from the release of a job to its end that the active timetable predicts."},
	{Name: nameLeastSlack, Type: Gauge, Unit: "seconds", Labels: ofTask,
		Help: "Least bus time between the end of a job and its deadline, of jobs released since the active timetable " +
			"took effect, negative when one was late; failed jobs are left out, and there is none before the first " +
			"job."},
	{Name: namePlanSlack, Type: Gauge, Unit: "seconds", Labels: ofTask,
		Help: "Least bus time between the end of a job and its deadline that the active timetable predicts."},
	{Name: nameResponse, Type: Histogram, Unit: "seconds", Labels: ofTask, Buckets: responseBuckets,
		Help: "Bus time from the release of a job to its end; failed jobs are left out."},
	{Name: nameSkew, Type: Histogram, Unit: "seconds", Labels: ofTask, Buckets: skewBuckets,
		Help: "Spread of the sampling times within a frame set, in bus time; failed jobs are left out."},
	{Name: nameHold, Type: Histogram, Unit: "seconds", Labels: ofTask, Buckets: responseBuckets,
		Help: "Longest bus time from load to conversion within a frame set; chips with memory only, failed jobs are " +
			"left out."},
	{Name: nameSelectWords, Type: Counter, Labels: []string{"scope"}, Values: scopes,
		Help: "Select words put on the lines, by what they reach: all chips, several, or one."},
	{Name: nameStreams, Type: Gauge, Help: "Frame streams open now."},
	{Name: nameDropped, Type: Counter, Labels: []string{"policy"}, Values: policyNames,
		Help: "Frame sets that streams dropped because their reader was slow, once for each stream, " +
			"by overflow policy."},
	{Name: nameAbandoned, Type: Counter, Help: "Frame sets that still waited when their reader went away."},
	{Name: nameDecimated, Type: Counter, Help: "Frame sets that streams left out because their reader asked for a " +
		"lower rate, once for each stream; nothing that was asked for is lost."},
	{Name: nameViolations, Type: Counter, Labels: []string{"rule"}, Values: ruleNumbers,
		Help: "Bus rules that were violated, by number of the rule. Anything but 0 is a defect."},
	{Name: nameUncertainty, Type: Gauge, Unit: "seconds",
		Help: "How far host time stamps may be off the bus time they stand for. A paced virtual bus counts how late " +
			"the host was lately; in free pace it is how far bus time and the host's clock are apart."},
	{Name: nameWorstLag, Type: Gauge, Unit: "seconds",
		Help: "How far the host was behind the timetable at most, since the daemon started: as after a stop of the " +
			"process, or of the machine. The time that the daemon took to come up is left out."},
	{Name: nameUTCSteps, Type: Counter, Help: "How often UTC was set on the host since the daemon started, or the " +
		"host slept. Times of frames follow it. Changes of less than a tenth of the time passed count as slewing."},
	{Name: nameBehind, Type: Counter, Help: "How often the host fell behind the timetable by more than the " +
		"configured limit (max_lag). What it hands over later than that the bus refuses, and the job fails with the " +
		"cause host stall; what comes late by less is run at its planned bus time."},
	{Name: nameHandoverSlack, Type: Gauge, Unit: "seconds",
		Help: "How much later a segment could at least have been handed over to the bus without being refused, since " +
			"the daemon started; below 0 it is by how much one came too late. Missing while nothing can come too " +
			"late, as in free pace."},
	{Name: nameRecordings, Type: Gauge, Help: "Recordings that run now. This and the next metrics of recordings are " +
		"there only where the daemon has a folder for them."},
	{Name: nameRecEnded, Type: Counter, Labels: []string{"outcome"}, Values: []string{closed, failed},
		Help: "Recordings that ended, by outcome: as asked or at a limit and closed, or on an error."},
	{Name: nameRecDeleted, Type: Counter, Labels: []string{"reason"}, Values: []string{byRequest, byAge, bySize},
		Help: "Recordings that were deleted, by reason: by request, or because they were older, or all of them " +
			"together larger, than is kept."},
	{Name: nameRecMessages, Type: Counter, Help: "Messages of every kind that are in the files of recordings, once " +
		"for each recording. Those of a running one count once the disk has confirmed them, every five seconds."},
	{Name: nameRecFrameSets, Type: Counter, Help: "Frame sets among them, on-demand captures included."},
	{Name: nameRecBytes, Type: Counter, Unit: "bytes", Help: "Bytes written to the files of recordings."},
	{Name: nameRecLost, Type: Counter, Help: "Messages that no file of a recording holds, because the disk was " +
		"slower than the bus or failed, once for each recording."},
	{Name: nameRecLostSets, Type: Counter, Help: "Frame sets among them."},
	{Name: nameRecFree, Type: Gauge, Unit: "bytes",
		Help: "Free space of the disk of the recordings, beyond what is kept free, when a running recording looked " +
			"within the last second; at 0 recordings end. Left out while none runs."},
	{Name: nameStoredTasks, Type: Gauge, Labels: []string{"state"}, Values: storedStates,
		Help: "Tasks in the data folder, by how they differ from those configured: not at all, made, changed or " +
			"removed over the API; and those kept aside since they do not fit what runs. Only where the daemon has " +
			"a data folder."},
	{Name: nameUnstored, Type: Gauge, Help: "Changes of the tasks that the disk refuses to hold: they would be gone " +
		"after a crash. 0 but while a disk is full or broken; only where the daemon has a data folder."},
	{Name: nameParticipants, Type: Gauge, Labels: []string{"state"}, Values: []string{"joined", "missing"},
		Help: "Programs that let bus time on in lockstep, and those that the configuration expects and that have not " +
			"joined. Only at pace lockstep."},
	{Name: nameStalled, Type: Gauge, Help: "Programs of those for which bus time has waited longer than " +
		"lockstep.stalled_after and still waits. Only at pace lockstep."},
	{Name: nameSafeStops, Type: Counter, Help: "Requests for a safe stop since the daemon started; the same words " +
		"from the same caller count once. This and the next two are there only where an array is driven."},
	{Name: nameUnconfirmed, Type: Gauge, Help: "1 while a safe stop is latched and the bus has not confirmed that " +
		"every select line is inactive, else 0."},
	{Name: nameStopUnstored, Type: Gauge, Help: "1 while a safe stop is latched that the disk does not hold, so that " +
		"the daemon would run the timetable after a restart, else 0."},
	{Name: nameEvents, Type: Counter, Labels: []string{"severity"}, Values: severities[1:],
		Help: "Events of the journal since the daemon started, by severity. Repetitions within a second of bus time " +
			"are one event."},
	{Name: nameEventsLost, Type: Counter, Labels: []string{"reason"}, Values: lossReasons,
		Help: "Events that are not on the journal's disk: too many waited, the disk refused them, or somebody " +
			"removed the file that was being written."},
	{Name: nameEventStreams, Type: Gauge, Help: "Streams of events open now."},
	{Name: nameEventsDropped, Type: Counter, Help: "Events that streams dropped because their reader was slow, once " +
		"for each stream."},
	{Name: nameEventsLeft, Type: Counter, Help: "Events that still waited when their reader went away."},
	{Name: nameRefused, Type: Counter, Labels: []string{"reason"}, Values: refusals(),
		Help: "Calls, requests and connections that were refused or ended, by reason: no credentials or wrong ones, " +
			"a role that does not suffice, a page of another site, too many connections, requests that are too many " +
			"at once or do not arrive, connections on which no call was admitted in time, that made way for " +
			"others, or that sent too much before an admitted call."},
	{Name: nameMapAge, Type: Gauge, Unit: "seconds", Labels: []string{"chip"},
		Help: "Age of the oldest active correction map of each chip that has one."},
	{Name: nameMaps, Type: Gauge, Labels: []string{"state"}, Values: mapStates,
		Help: "Correction maps: active, those of them that are older than the limit, and files that were refused."},
	{Name: nameCorrected, Type: Counter, Help: "Frames that were corrected by a correction map, once for all " +
		"subscribers that asked for them."},
	{Name: nameNotCorrected, Type: Counter, Labels: []string{"reason"}, Values: rawReasons,
		Help: "Frames that stayed raw although corrected ones were asked for: without a correction map, of a view " +
			"that is not known, of another size than the correction map, or of a failed job."},
	{Name: nameProbes, Type: Counter, Labels: []string{"verdict"}, Values: probeVerdicts,
		Help: "Probes of the select lines that were completed, those of a bring-up included, by verdict: fault-free, " +
			"faults that cannot be excluded, faulty, or nothing that explains what was seen."},
	{Name: nameProbedChips, Type: Gauge, Labels: []string{"state"}, Values: probedStates,
		Help: "Chips by what the last probe measured: they answered to their own select word, did not, or were not " +
			"measured. Left out before the first probe."},
	{Name: nameChips, Type: Gauge, Labels: []string{"state"}, Values: chipStates,
		Help: "Chips by their health: the worst that was found of each; not_judged are those without frames to " +
			"judge by."},
	{Name: nameFindings, Type: Gauge, Labels: []string{"kind"}, Values: findingKinds,
		Help: "Findings of the health that hold now and are not shelved, by kind. What has a common cause is one."},
	{Name: nameShelved, Type: Gauge, Help: "Findings that hold now and are shelved by an operator."},
	{Name: nameSamples, Type: Counter, Help: "Frames that were looked at to judge the health of their chips."},
	{Name: nameSkipped, Type: Counter, Help: "Frames that were due to be looked at for the health of their chips and " +
		"were not, as one of the same chip still waited: the host is too slow for a look in each second of bus " +
		"time, or bus time so fast that looks would take more than a quarter of a core; or as the timetable changed."},
	{Name: nameInjected, Type: Gauge,
		Help: "Faults that were put into the virtual bus and are there now; left out on any other bus."},
	{Name: nameBringupSteps, Type: Counter, Labels: []string{"verdict"}, Values: bringupVerdicts,
		Help: "Steps of bring-ups that ended, by verdict."},
	{Name: nameDevice, Type: Gauge, Help: "1 while a session with the device that drives the array is open, else 0. " +
		"This and the next eleven are there only where a device does."},
	{Name: nameDeviceLosses, Type: Counter, Help: "Times that the device was lost since the daemon started: the link " +
		"was cut, or nothing was heard of it for its lease."},
	{Name: nameDeviceReboots, Type: Counter, Help: "Times that the device was found to have begun anew."},
	{Name: nameDeviceRuns, Type: Counter, Labels: []string{"outcome"}, Values: deviceOutcomes,
		Help: "Segments handed over to the device, by what became of them: executed; refused before anything was " +
			"driven, as the host, the link or the device was late, or recalled; rejected as unreadable; lost with " +
			"the device; broken off by an underrun (an operation could not be made ready in time) or otherwise."},
	{Name: nameDeviceSlack, Type: Gauge, Unit: "seconds", Help: "By how much a segment that was executed could have " +
		"arrived at the device later, at least, since the daemon started, as the device measured it. Left out " +
		"before the first."},
	{Name: nameDeviceClock, Type: Gauge, Unit: "seconds", Help: "How far the device's clock may be off from where " +
		"the host believes it to be."},
	{Name: nameDeviceDrift, Type: Gauge, Unit: "ratio", Help: "By how much the device's clock runs faster than the " +
		"host's, as a fraction, over the last minutes. Left out in the first half minute."},
	{Name: nameDeviceTrip, Type: Gauge, Unit: "seconds", Labels: []string{"which"}, Values: deviceTrips,
		Help: "The shortest and the longest round trip to the device since it was connected to."},
	{Name: nameDeviceMessages, Type: Counter, Labels: []string{"direction"}, Values: deviceWays,
		Help: "Messages to and from the device since the daemon started."},
	{Name: nameDeviceFaults, Type: Counter, Labels: []string{"kind"}, Values: deviceFaults,
		Help: "What the link to the device has met since the daemon started: messages that were sent again, came " +
			"again or came before one that was missing, packets with a wrong check sum, and messages that were not " +
			"acknowledged when a session ended. But for the last, nothing is lost by them."},
	{Name: nameDeviceContradicted, Type: Counter, Help: "Segments that the device called executed, and of which " +
		"codes or times were missing, out of order or impossible. Their jobs failed."},
	{Name: nameDeviceTested, Type: Gauge, Help: "1 where the device has passed its self-test for its firmware and " +
		"the pins of the array file, else 0. Absent for a board that does not ask for it and was not tested."},
	{Name: nameDeviceVolts, Type: Gauge, Unit: "volts", Labels: []string{"name"}, Help: "Supplies that the board " +
		"measures, as told last. Outside its limits it makes every line inactive."},
	{Name: nameDeviceAmperes, Type: Gauge, Unit: "amperes", Labels: []string{"name"}, Help: "The same of currents."},
	{Name: nameDeviceCelsius, Type: Gauge, Unit: "celsius", Labels: []string{"name"},
		Help: "The same of temperatures."},
	{Name: nameDevicePrograms, Type: Gauge, Help: "Programs that the device has."},
	{Name: nameMotionStreams, Type: Gauge, Help: "Streams of motion estimates."},
	{Name: nameMotion, Type: Counter, Help: "Pairs of a chip's frames that told of motion, once for each stream."},
	{Name: nameMotionRefused, Type: Counter, Labels: []string{"reason"}, Values: motion.Reasons(),
		Help: "Frames of chips that told of no motion, once for each stream, by reason: clipped, too dim for the " +
			"pixels to follow, flat light, no frame before to compare with, a lattice that is not compared, not " +
			"corrected, or another picture."},
	{Name: nameMotionDropped, Type: Counter,
		Help: "Motion estimates of frame sets that were dropped because no client had granted them in time."},
	{Name: nameMotionLost, Type: Counter,
		Help: "Frame sets that were lost before their motion was estimated, because this machine could not keep up."},
}

const achievedHelp = "Rate of jobs that completed, by bus time: of the last ones under the active timetable (at " +
	"most 128), their number less one " +
	"over the time from the first one's release to the last one's. Until two have ended, the rate under the " +
	"timetable before stands, for up to three of its periods. " +
	"Once nothing was released and ended for more than three periods, it is their number over the time from the " +
	"first release until now, so that it falls when a task stalls."

var (
	phaseNames  = []string{"", "select", "write", "load", "share", "settle", "convert"} // by facetdv1.Phase
	outcomes    = []string{onTime, late, failed}
	scopes      = []string{"broadcast", "group", "single"}
	policyNames = []string{"latest", "queue"}              // by stream.Policy
	severities  = []string{"", "info", "warning", "error"} // by facetdv1.Severity
	// By facetdv1.ProbeVerdict, probe.Stats and facetdv1.Verdict.
	probeVerdicts   = []string{"fault_free", "not_excluded", "faulty", "unexplained"}
	chipStates      = []string{"good", "not_judged", "degraded", "bad"} // by facetdv1.HealthState
	findingKinds    = valuesOf("HEALTH_FINDING_KIND_", facetdv1.HealthFindingKind_name)
	probedStates    = []string{"answering", "silent", "not_measured"}
	bringupVerdicts = []string{"pass", "warn", "fail", "skipped"}

	mapStates    = []string{"active", "stale", "refused"}
	rawReasons   = []string{"no_correction_map", "unknown_view", "mismatch", "failed_job"}
	storedStates = []string{"configured", "made", "changed", "removed", "aside"} // taskstore.Kind, and aside
	lossReasons  = []string{"queue_full", "disk_refused", "removed"}
	ruleNumbers  = []string{"1", "2", "3", "4", "5", "6", "7", "8", "9", "10"}
)

// valuesOf are the values of an enumeration of the schema by number, without their prefix and without the unknown one.
func valuesOf(prefix string, names map[int32]string) []string {
	out := make([]string, len(names)-1)
	for i := range out {
		out[i] = strings.ToLower(strings.TrimPrefix(names[int32(i+1)], prefix))
	}
	return out
}

func refusals() []string {
	var names []string
	for _, r := range access.Reasons() {
		names = append(names, string(r))
	}
	return names
}

// Outcomes of a job.
const (
	onTime = "on_time"
	late   = "late"
	failed = "failed"
	done   = "done"   // an on-demand job
	closed = "closed" // a recording
	// Answers to a trigger.
	taken   = "taken"
	refused = "refused"
)

// Reasons for which a recording is deleted.
const (
	byRequest = "request"
	byAge     = "age"
	bySize    = "size"
)
