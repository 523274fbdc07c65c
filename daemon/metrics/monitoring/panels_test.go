package monitoring

import "github.com/grafana/grafana-foundation-sdk/go/units"

// Units that Grafana has no name for: it writes what follows "suffix:".
const (
	perSecond = "suffix: /s"
	count     = "short"
)

// The colors of limits: worth a look, and bad. They agree with the alerts.
const (
	look = "orange"
	bad  = "red"
)

// rows are the dashboard, from what an operator asks first to what seldom matters.
func rows() []row {
	return []row{health(), tasks(), busRow(), streams(), recordings(), calibration(), chipHealth(), faults(), device(),
		motions(), process()}
}

func health() row {
	tile := func(title, about, unit, expr, legend string, limits ...limit) panel {
		return panel{kind: number, title: title, about: about, unit: unit,
			queries: []query{{expr: expr, legend: legend}}, limits: limits, wide: 4, high: 4}
	}
	state := tile("State", "", count,
		`sum by (instance) (facetd_state{$I, state="running"} or facetd_state{$I, state="starting"} * 2 or facetd_state{$I, state="stopping"} * 3 or facetd_state{$I, state="fault"} * 4 or facetd_state{$I, state="safe_stop"} * 5)`, "{{instance}}")
	state.names = map[string]stateName{"1": {"running", "green"}, "2": {"starting", "blue"}, "3": {"stopping", look},
		"4": {"fault", bad}, "5": {"safe stop", look}}
	build := tile("Runs", "Array, bus, pace and version.", count,
		`facetd_bus_info{$I} * on (job, instance) group_left (version) facetd_build_info{$I}`,
		"{{array}}: {{bus}} bus, {{pace}}, facetd {{version}}")
	build.nameOnly, build.wide = true, 8
	return row{"Health", []panel{
		state,
		tile("Alerts", "Alerts of facetd that fire, as the rules beside this dashboard define them.", count,
			`sum(ALERTS{alertname=~"Facetd.*", alertstate="firing"}) or vector(0)`, "firing", limit{1, look},
			limit{3, bad}),
		tile("Oldest frames", "Of all tasks the one whose newest whole frame set is oldest. Compare it with the "+
			"task's period.", units.Seconds, `max by (instance) (facetd_task_frame_age_seconds{$I})`, "{{instance}}",
			limit{1, look}, limit{5, bad}),
		tile("Misses in an hour", "Jobs that were late or failed.", count,
			`sum by (instance) (increase(facetd_deadline_misses_total{$I}[1h]))`, "{{instance}}", limit{1, look},
			limit{60, bad}),
		tile("Rule violations", "Since the daemon began. One is too many.", count,
			`sum by (instance) (facetd_rule_violations_total{$I})`, "{{instance}}", limit{1, bad}),
		tile("Safe stops", "Latched, and not confirmed by the bus or not on the disk.", count,
			`sum by (instance) (facetd_safe_stop_unconfirmed{$I} + facetd_safe_stop_unstored{$I})`, "{{instance}}",
			limit{1, bad}),
		tile("Stops asked for", "Safe stops, in the last day.", count,
			`sum by (instance) (increase(facetd_safe_stops_total{$I}[1d]))`, "{{instance}}", limit{1, look}),
		tile("Holds lockstep", "Programs that let bus time wait for long, or have not joined; only in lockstep.", count,
			`sum by (instance) (facetd_lockstep_stalled_participants{$I}) + on (instance) sum by (instance) (facetd_lockstep_participants{$I, state="missing"})`, "{{instance}}",
			limit{1, look}),
		tile("Bus in use", "", units.PercentUnit, `facetd_measured_utilization_ratio{$I}`, "{{instance}}",
			limit{0.8, look}, limit{0.9, bad}),
		tile("Time uncertainty", "", units.Seconds, `facetd_host_time_uncertainty_seconds{$I}`, "{{instance}}",
			limit{0.005, look}, limit{0.02, bad}),
		tile("Frame sets lost", "By streams and recordings, in the last hour.", count,
			`sum by (instance) (increase(facetd_stream_dropped_frame_sets_total{$I, policy="queue"}[1h])) + on (instance) (sum by (instance) (increase(facetd_recording_lost_frame_sets_total{$I}[1h])) or sum by (instance) (facetd_streams{$I}) * 0)`, "{{instance}}", limit{1, look}, limit{100, bad}),
		tile("Recordings", "That run now.", count, `facetd_recordings_running{$I}`, "{{instance}}"),
		tile("Frames", "Of all tasks, per second of wall-clock time.", perSecond,
			`sum by (instance) (rate(facetd_frames_total{$I}[$__rate_interval]))`, "{{instance}}"),
		build,
	}}
}

func tasks() row {
	plot := func(title, about, unit string, limits []limit, queries ...query) panel {
		return panel{title: title, about: about, unit: unit, queries: queries, limits: limits, wide: 12, high: 8,
			fromZero: true}
	}
	p99 := func(histogram string) string {
		return `histogram_quantile(0.99, sum by (instance, task, le) (rate(` + histogram +
			`_bucket{$T}[$__rate_interval])))`
	}
	slack := plot("Slack", "Time to spare before the deadline: below zero jobs are late.", units.Seconds, []limit{},
		query{expr: `facetd_task_least_slack_seconds{$T}`, legend: "{{task}} least"},
		query{`facetd_task_planned_slack_seconds{$T}`, "{{task}} predicted", true})
	slack.fromZero = false
	return row{"Tasks", []panel{
		plot("Rates", "Where achieved falls below planned, jobs fail or are late; where planned lies above requested, "+
			"the period was shortened to fit the others'.", units.Hertz, nil,
			query{expr: `facetd_task_achieved_rate_hertz{$T}`, legend: "{{task}} achieved"},
			query{`facetd_task_planned_rate_hertz{$T}`, "{{task}} planned", true},
			query{`facetd_task_planned_rate_hertz{$T} and facetd_task_paused{$T} == 1`, "{{task}} paused", true},
			query{`facetd_task_requested_rate_hertz{$T}`, "{{task}} requested", true}),
		plot("Age of the newest frames", "A saw: it falls to zero with every frame set. What acts on frames must "+
			"not act on old ones.", units.Seconds, []limit{{5, bad}},
			query{expr: `facetd_task_frame_age_seconds{$T}`, legend: "{{task}}"}),
		plot("Response", "From release to end of a job, in bus time.", units.Seconds, nil,
			query{expr: p99("facetd_response_seconds"), legend: "{{task}} 99 of 100 within (upper bound of a bucket)"},
			query{expr: `facetd_task_worst_response_seconds{$T}`, legend: "{{task}} worst"},
			query{`facetd_task_planned_response_seconds{$T}`, "{{task}} predicted", true}),
		slack,
		plot("Deadlines missed", "Fraction of jobs that were late or failed.", units.PercentUnit,
			[]limit{{0.01, look}, {0.1, bad}},
			query{expr: `sum by (instance, task) (rate(facetd_deadline_misses_total{$T}[$__rate_interval])) / (sum by (instance, task) (rate(facetd_jobs_total{$T}[$__rate_interval])) > 0)`, legend: "{{task}}"}),
		plot("Jobs that were not on time", "", perSecond, nil,
			query{expr: `rate(facetd_jobs_total{$T, outcome!="on_time"}[$__rate_interval])`,
				legend: "{{task}} {{outcome}}"}),
		plot("Skew", "99 of 100 frame sets were sampled within this time (upper bound of a bucket).", units.Seconds,
			nil, query{expr: p99("facetd_skew_seconds"), legend: "{{task}}"}),
		plot("Hold", "99 of 100 frame sets were held no longer (upper bound of a bucket). Charge leaks away meanwhile.",
			units.Seconds, nil, query{expr: p99("facetd_hold_seconds"), legend: "{{task}}"}),
	}}
}

func busRow() row {
	plot := func(kind kind, title, about, unit string, queries ...query) panel {
		return panel{kind: kind, title: title, about: about, unit: unit, queries: queries, wide: 8, high: 8,
			fromZero: true}
	}
	measured := plot(stacked, "Bus by phase, measured",
		"What the bus was busy with; the dashed line is the timetable's sum.", units.PercentUnit,
		query{expr: `facetd_measured_phase_utilization_ratio{$I}`, legend: "{{phase}}"},
		query{`facetd_planned_utilization_ratio{$I}`, "planned in all", true})
	planned := plot(stacked, "Bus by phase, planned", "", units.PercentUnit,
		query{expr: `facetd_planned_phase_utilization_ratio{$I}`, legend: "{{phase}}"})
	measured.most, planned.most = 1, 1
	uncertain := plot(lines, "Time uncertainty", "On a paced virtual bus: how late the host runs.", units.Seconds,
		query{expr: `facetd_host_time_uncertainty_seconds{$I}`, legend: "{{instance}}"})
	uncertain.limits = []limit{{0.02, bad}}
	return row{"Bus", []panel{
		measured, planned,
		plot(lines, "Bus in use, on-demand jobs included",
			"Over the last minutes; the timetable alone uses the planned fraction.", units.PercentUnit,
			query{expr: `sum by (instance) (rate(facetd_bus_busy_seconds_total{$I}[$__rate_interval])) / on (instance) (sum by (instance) (rate(facetd_bus_seconds_total{$I}[$__rate_interval])) > 0)`, legend: "measured"}, query{`facetd_planned_utilization_ratio{$I}`, "planned", true}),
		plot(lines, "Pace", "Seconds of bus time per second of wall-clock time: 1 but in free pace.", count,
			query{expr: `rate(facetd_bus_seconds_total{$I}[$__rate_interval])`, legend: "{{instance}}"}),
		uncertain,
		plot(lines, "Host behind the timetable", "Since the daemon started.", units.Seconds,
			query{expr: `facetd_host_worst_lag_seconds{$I}`, legend: "at most, {{instance}}"}),
		plot(lines, "Least slack of a handover", "How much later a segment could have come; below 0 it was refused.",
			units.Seconds, query{expr: `facetd_handover_least_slack_seconds{$I}`, legend: "at least, {{instance}}"}),
		plot(lines, "Times that the host was behind", "By more than max_lag.", count,
			query{expr: `increase(facetd_host_behind_total{$I}[$__rate_interval])`, legend: "{{instance}}"}),
		plot(lines, "Times that UTC was set",
			"Or that the host slept. Ages go by the monotonic clock, which is not set.", count,
			query{expr: `increase(facetd_utc_steps_total{$I}[$__rate_interval])`, legend: "{{instance}}"}),
		plot(lines, "Rule violations", "", count,
			query{expr: `increase(facetd_rule_violations_total{$I}[$__rate_interval])`, legend: "rule {{rule}}"}),
		plot(stacked, "Select words", "", perSecond,
			query{expr: `rate(facetd_select_words_total{$I}[$__rate_interval])`, legend: "{{scope}}"}),
		plot(lines, "On-demand jobs", "", perSecond,
			query{expr: `rate(facetd_on_demand_total{$I}[$__rate_interval])`, legend: "{{outcome}}"}),
		plot(lines, "Triggers of sporadic tasks", "", perSecond,
			query{expr: `rate(facetd_triggers_total{$I}[$__rate_interval])`, legend: "{{task}}, {{answer}}"}),
		plot(lines, "Changes of the timetable", "", count,
			query{expr: `increase(facetd_plan_changes_total{$I}[$__rate_interval])`, legend: "{{instance}}"}),
	}}
}

func streams() row {
	plot := func(title, about, unit string, queries ...query) panel {
		return panel{title: title, about: about, unit: unit, queries: queries, wide: 8, high: 8, fromZero: true}
	}
	return row{"Streams and drops", []panel{
		plot("Open streams", "", count, query{expr: `facetd_streams{$I}`, legend: "frames"},
			query{expr: `facetd_event_streams{$I}`, legend: "events"}),
		plot("Frame sets that streams left out", "Under the policy latest dropping is what the reader asked for.",
			perSecond,
			query{expr: `rate(facetd_stream_dropped_frame_sets_total{$I}[$__rate_interval])`,
				legend: "dropped, {{policy}}"}, query{expr: `rate(facetd_stream_abandoned_frame_sets_total{$I}[$__rate_interval])`, legend: "left behind"}, query{expr: `rate(facetd_stream_decimated_frame_sets_total{$I}[$__rate_interval])`, legend: "decimated as asked"}),
		plot("Events lost by streams", "The journal has them still.", perSecond,
			query{expr: `rate(facetd_event_stream_dropped_events_total{$I}[$__rate_interval])`, legend: "dropped"},
			query{expr: `rate(facetd_event_stream_abandoned_events_total{$I}[$__rate_interval])`,
				legend: "left behind"}),
	}}
}

func recordings() row {
	plot := func(title, about, unit string, queries ...query) panel {
		return panel{title: title, about: about, unit: unit, queries: queries, wide: 8, high: 8, fromZero: true}
	}
	const none = "Empty where the daemon has no data folder. "
	return row{"Recordings and events", []panel{
		plot("Recordings", none, count, query{expr: `facetd_recordings_running{$I}`, legend: "run"},
			query{expr: `increase(facetd_recordings_ended_total{$I}[$__rate_interval])`, legend: "ended: {{outcome}}"},
			query{expr: `increase(facetd_recordings_deleted_total{$I}[$__rate_interval])`,
				legend: "deleted: {{reason}}"}),
		plot("Written", none, units.BytesPerSecondIEC,
			query{expr: `rate(facetd_recording_written_bytes_total{$I}[$__rate_interval])`, legend: "{{instance}}"}),
		plot("Messages", none, perSecond, query{expr: `rate(facetd_recording_messages_total{$I}[$__rate_interval])`,
			legend: "written"},
			query{expr: `rate(facetd_recording_frame_sets_total{$I}[$__rate_interval])`,
				legend: "frame sets among them"},
			query{expr: `rate(facetd_recording_lost_messages_total{$I}[$__rate_interval])`, legend: "messages lost"},
			query{expr: `rate(facetd_recording_lost_frame_sets_total{$I}[$__rate_interval])`,
				legend: "frame sets lost"}),
		plot("Free space of the disk", none+"At zero recordings end.", units.BytesIEC,
			query{expr: `facetd_recording_free_bytes{$I}`, legend: "{{instance}}"}),
		plot("Events", "", perSecond, query{expr: `rate(facetd_events_total{$I}[$__rate_interval])`,
			legend: "{{severity}}"}),
		plot("Tasks stored", none, count, query{expr: `facetd_stored_tasks{$I}`, legend: "{{state}}"},
			query{expr: `facetd_unstored_task_changes{$I}`, legend: "changes that the disk refused"}),
		plot("Events not on the disk", "", perSecond,
			query{expr: `rate(facetd_journal_lost_events_total{$I}[$__rate_interval])`, legend: "{{reason}}"}),
	}}
}

func calibration() row {
	plot := func(title, about, unit string, limits []limit, queries ...query) panel {
		return panel{title: title, about: about, unit: unit, queries: queries, limits: limits, wide: 8, high: 8,
			fromZero: true}
	}
	const days = 86400
	return row{"Calibration", []panel{
		plot("Age of the correction maps", "Empty while no chip has a correction map.", units.Seconds,
			[]limit{{30 * days, look}}, query{expr: `facetd_correction_map_age_seconds{$I}`, legend: "{{chip}}"}),
		plot("Correction maps", "", count, nil, query{expr: `facetd_correction_maps{$I}`, legend: "{{state}}"}),
		plot("Corrected frames", "", perSecond, nil,
			query{expr: `rate(facetd_corrected_frames_total{$I}[$__rate_interval])`, legend: "corrected"},
			query{expr: `rate(facetd_correction_refused_frames_total{$I}[$__rate_interval])`,
				legend: "raw: {{reason}}"}),
	}}
}

func chipHealth() row {
	plot := func(title, about, unit string, queries ...query) panel {
		return panel{title: title, about: about, unit: unit, queries: queries, wide: 8, high: 8, fromZero: true}
	}
	return row{"Health", []panel{
		plot("Chips by their health", "", count, query{expr: `facetd_chips{$I}`, legend: "{{state}}"}),
		plot("Findings", "Those that hold; one for each common cause.", count,
			query{expr: `facetd_health_findings{$I}`, legend: "{{kind}}"},
			query{expr: `facetd_health_shelved_findings{$I}`, legend: "shelved"}),
		plot("Frames looked at", "About one of each chip a second of bus time; "+
			"of simulated ones that nobody wants pixels of, two in five.", perSecond,
			query{expr: `rate(facetd_health_samples_total{$I}[$__rate_interval])`, legend: "looked at"},
			query{expr: `rate(facetd_health_skipped_samples_total{$I}[$__rate_interval])`, legend: "skipped"}),
	}}
}

func faults() row {
	plot := func(title, about, unit string, queries ...query) panel {
		return panel{title: title, about: about, unit: unit, queries: queries, wide: 8, high: 8, fromZero: true}
	}
	return row{"Faults and bring-up", []panel{
		plot("Chips by the last probe", "Empty before the first probe.", count,
			query{expr: `facetd_probed_chips{$I}`, legend: "{{state}}"},
			query{expr: `facetd_injected_faults{$I}`, legend: "faults injected"}),
		plot("Probes", "In each interval.", count,
			query{expr: `increase(facetd_probes_total{$I}[$__rate_interval])`, legend: "{{verdict}}"}),
		plot("Steps of bring-ups", "In each interval.", count,
			query{expr: `increase(facetd_bringup_steps_total{$I}[$__rate_interval])`, legend: "{{verdict}}"}),
	}}
}

func device() row {
	plot := func(title, about, unit string, queries ...query) panel {
		return panel{title: title, about: about, unit: unit, queries: queries, wide: 8, high: 8}
	}
	return row{"Device", []panel{
		plot("Link", "Only where a device drives the array. A reboot loses registers and loads.", count,
			query{expr: `facetd_device_connected{$I}`, legend: "connected"},
			query{expr: `facetd_device_self_test_passed{$I}`, legend: "self-test passed"},
			query{expr: `increase(facetd_device_losses_total{$I}[$__rate_interval])`, legend: "losses"},
			query{expr: `increase(facetd_device_reboots_total{$I}[$__rate_interval])`, legend: "reboots"}),
		plot("Segments of the device", "By what became of them, in each interval.", count,
			query{expr: `increase(facetd_device_runs_total{$I}[$__rate_interval])`, legend: "{{outcome}}"}),
		plot("Least slack at the device", "By how much a segment could have arrived later.", units.Seconds,
			query{expr: `facetd_device_least_slack_seconds{$I}`, legend: "at least, {{instance}}"}),
		plot("Clock and round trips of the device", "How far its clock may be off, and the trips that say so.",
			units.Seconds, query{expr: `facetd_device_clock_uncertainty_seconds{$I}`, legend: "off by at most"},
			query{expr: `facetd_device_round_trip_seconds{$I}`, legend: "{{which}} trip"}),
		plot("Drift of the device's clock", "Against the host's.", units.PercentUnit,
			query{expr: `facetd_device_clock_drift_ratio{$I}`, legend: "{{instance}}"}),
		plot("Messages and programs of the device", "Messages in each interval.", count,
			query{expr: `increase(facetd_device_messages_total{$I}[$__rate_interval])`, legend: "{{direction}}"},
			query{expr: `facetd_device_programs{$I}`, legend: "programs"}),
		plot("Faults of the link to the device", "In each interval; and segments that were not as the device said.",
			count, query{expr: `increase(facetd_device_link_faults_total{$I}[$__rate_interval])`, legend: "{{kind}}"},
			query{expr: `increase(facetd_device_contradicted_runs_total{$I}[$__rate_interval])`,
				legend: "contradicted segments"}),
		plot("Supplies of the board", "Outside their limits the device makes every line inactive.", units.Volt,
			query{expr: `facetd_device_supply_volts{$I}`, legend: "{{name}}"}),
		plot("Currents of the board", "The same of currents.", units.Ampere,
			query{expr: `facetd_device_current_amperes{$I}`, legend: "{{name}}"}),
		plot("Temperatures of the board", "The same of temperatures.", units.Celsius,
			query{expr: `facetd_device_temperature_celsius{$I}`, legend: "{{name}}"}),
	}}
}

func motions() row {
	plot := func(title, about, unit string, queries ...query) panel {
		return panel{title: title, about: about, unit: unit, queries: queries, wide: 8, high: 8, fromZero: true}
	}
	return row{"Motion", []panel{
		plot("Estimates of motion", "Pairs of a chip's frames that told of motion, and streams of estimates.", count,
			query{expr: `rate(facetd_motion_estimates_total{$I}[$__rate_interval])`, legend: "pairs a second"},
			query{expr: `facetd_motion_streams{$I}`, legend: "streams"}),
		plot("Frames that told of no motion", "A second, by reason.", count,
			query{expr: `rate(facetd_motion_refused_total{$I}[$__rate_interval])`, legend: "{{reason}}"}),
		plot("Motion lost", "In each interval: estimates that nobody took, frame sets that were not compared.", count,
			query{expr: `increase(facetd_motion_dropped_estimates_total{$I}[$__rate_interval])`, legend: "dropped"},
			query{expr: `increase(facetd_motion_lost_frame_sets_total{$I}[$__rate_interval])`, legend: "not compared"}),
	}}
}

func process() row {
	plot := func(title, unit string, queries ...query) panel {
		return panel{title: title, about: "Of the daemon's process.", unit: unit, queries: queries, wide: 6, high: 7,
			fromZero: true}
	}
	refused := plot("Refused callers", count,
		query{expr: `increase(facetd_access_refused_total{$I}[$__rate_interval])`, legend: "{{reason}}"})
	refused.about = "In each interval."
	one := func(expr string) query { return query{expr: expr, legend: "{{instance}}"} }
	return row{"Access and process", []panel{
		refused,
		plot("Processor", units.PercentUnit,
			one(`rate(process_cpu_seconds_total{job="facetd", $I}[$__rate_interval])`)),
		plot("Memory", units.BytesIEC, query{expr: `process_resident_memory_bytes{job="facetd", $I}`,
			legend: "resident"}, query{expr: `go_memstats_heap_inuse_bytes{job="facetd", $I}`, legend: "heap in use"}),
		plot("Goroutines", count, one(`go_goroutines{job="facetd", $I}`)),
		plot("Open files", count, one(`process_open_fds{job="facetd", $I}`),
			query{`process_max_fds{job="facetd", $I}`, "limit", true}),
		plot("Garbage collection", units.PercentUnit,
			query{expr: `rate(go_gc_duration_seconds_sum{job="facetd", $I}[$__rate_interval])`, legend: "pauses"}),
		plot("Up for", units.Seconds, one(`time() - process_start_time_seconds{job="facetd", $I}`)),
	}}
}
