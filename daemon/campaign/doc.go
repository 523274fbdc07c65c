// Package campaign has tests alone: runs of the whole bus loop, each made from one seed.
//
// A seed makes an array, tasks, changes of them, one or several at once, by callers one after another or by a crowd,
// pauses, parameters that are set between their jobs, triggers of sporadic tasks, requests that are sent twice, safe
// stops, on-demand captures and commands, subscribers, recordings, correction maps, and faults with the bus times at
// which they strike, or over which the host is always behind.
// The run goes through the real dispatcher, streams, recorder, calibration and journal in virtual time, with everything
// in one process and in memory but for the files: a safety phase under faults, then a liveness phase without. What must
// hold afterwards is in the files that begin with judge, and with the name of what is judged.
//
// Equal seeds give equal digests: of what the bus executed and captured, and of how every job of every task ended.
// Left open are what goroutines do among themselves within one instant of virtual time, and with it which frame sets a
// slow subscriber is still given, how messages are divided among the chunks of a recording, and, where callers of
// changes wait for each other, all that follows: the next begins in the instant in which the one before is answered.
// These are judged by counts that must agree.
//
// TestOnABoard runs seeds through the driver and the firmware of package bridge in the place of the executor: the
// firmware is a process that is told what time it is, and virtual time stands still while it answers.
//
// Nothing that is expected of a recovery is chosen: a lag that is left once faults have ended is to fall by the idle
// part of the bus time that the timetable has, from when nothing adds to it any more; see recovery.
package campaign
