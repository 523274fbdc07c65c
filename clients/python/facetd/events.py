"""Events, recordings, and the daemon's status."""

from __future__ import annotations

import dataclasses
import datetime
from typing import Any

from ._schema import value
from .enums import EventKind, LineState, Pace, Phase, RecordingState, Severity, State
from .frames import timestamp_ns, to_datetime
from .task import RunningTask


@dataclasses.dataclass(frozen=True)
class Event:
    """One thing that an operator should know."""

    #: Number in the journal, from 1.
    sequence: int
    #: When it happened, in nanoseconds since 1970 (UTC).
    time_ns: int
    #: When in bus time; None where the bus has no part in it.
    bus_ns: int | None
    severity: Severity
    kind: EventKind
    text: str
    task: str
    chips: tuple[str, ...]
    #: How often: repetitions within a second are one event.
    count: int
    #: Numbers and names, by a name with its unit.
    fields: dict[str, str | int | float]
    #: Events that a stream dropped just before this one, or no longer had.
    dropped: int = 0
    #: The journal of which sequence is.
    journal: str = ""

    @property
    def time(self) -> datetime.datetime:
        """time_ns as a datetime in UTC, cut to microseconds."""
        return to_datetime(self.time_ns)

    @classmethod
    def _of(cls, m: Any, dropped: int = 0, journal: str = "") -> Event:
        return cls(
            m.sequence,
            timestamp_ns(m.time),
            value(m, "bus_ns"),
            Severity(m.severity),
            EventKind(m.kind),
            m.text,
            m.task,
            tuple(m.chips),
            m.count,
            {k: getattr(v, v.WhichOneof("value") or "text") for k, v in m.fields.items()},
            dropped,
            journal,
        )


@dataclasses.dataclass(frozen=True)
class Recording:
    """One recording: one or more MCAP files in the daemon's folder."""

    name: str
    state: RecordingState
    #: Why it ended, where it did.
    reason: str
    files: tuple[str, ...]
    messages: int
    frame_sets: int
    bytes: int
    #: Messages lost because the disk was slower than the bus.
    lost: int

    @classmethod
    def _of(cls, m: Any) -> Recording:
        return cls(
            m.name, RecordingState(m.state), m.reason, tuple(p.file for p in m.parts), m.messages, m.frame_sets, m.bytes, m.lost
        )


@dataclasses.dataclass(frozen=True)
class RuleViolation:
    """A violation of a bus rule."""

    rule: int
    message: str
    bus_ns: int
    chips: tuple[str, ...]


@dataclasses.dataclass(frozen=True)
class StopReason:
    """One request for a safe stop."""

    by: str
    #: In their words; empty where they gave none.
    reason: str
    #: When, in nanoseconds since 1970 (UTC).
    time_ns: int
    #: When in bus time; None for a stop from before the daemon started.
    bus_ns: int | None


@dataclasses.dataclass(frozen=True)
class SafeStop:
    """A safe stop that is latched until the array is resumed."""

    #: The first 15 and the last.
    reasons: tuple[StopReason, ...]
    #: How many they are.
    requests: int
    #: Rises with each of them.
    revision: int
    #: What is known of the select lines; unless CONFIRMED take them for active.
    lines: LineState
    #: Why it is not confirmed that they are inactive.
    lines_reason: str
    jobs_failed: int
    on_demand_failed: int
    #: Whether it outlives the daemon.
    stored: bool
    #: Why it does not.
    not_stored_reason: str

    @classmethod
    def _of(cls, m: Any) -> SafeStop:
        return cls(
            tuple(StopReason(r.by, r.reason, timestamp_ns(r.time), value(r, "bus_ns")) for r in m.reasons),
            m.requests, m.revision, LineState(m.lines.state), m.lines.reason, m.jobs_failed, m.on_demand_failed,
            m.stored, m.not_stored_reason,
        )  # fmt: skip


@dataclasses.dataclass(frozen=True)
class Status:
    """The daemon at one instant."""

    state: State
    #: Why it is in a fault.
    fault: str
    version: str
    array: str
    #: Kind of bus, such as "virtual".
    bus: str
    pace: Pace
    seed: int
    bus_ns: int
    #: When the daemon started, in nanoseconds since 1970 (UTC).
    start_time_ns: int
    planned_utilization: float
    measured_utilization: float
    phases: dict[Phase, float]
    #: By name, in the order they were added.
    tasks: dict[str, RunningTask]
    rule_violations: int
    last_violations: tuple[RuleViolation, ...]
    streams: int
    dropped_frame_sets: int
    #: How far host times given for bus times may be off.
    time_uncertainty_ns: int
    #: The safe stop that is latched, or None.
    safe_stop: SafeStop | None

    @classmethod
    def _of(cls, m: Any) -> Status:
        return cls(
            state=State(m.state),
            fault=m.fault,
            version=m.version,
            array=m.array,
            bus=m.bus,
            pace=Pace(m.pace),
            seed=m.seed,
            bus_ns=m.bus_ns,
            start_time_ns=timestamp_ns(m.start_time),
            planned_utilization=m.planned_utilization,
            measured_utilization=m.measured_utilization,
            phases={Phase(p.phase): p.fraction for p in m.phases},
            tasks={t.task.name: RunningTask._of(t) for t in m.tasks},
            rule_violations=m.rule_violations,
            last_violations=tuple(RuleViolation(v.rule, v.message, v.bus_ns, tuple(v.chips)) for v in m.last_violations),
            streams=m.streams,
            dropped_frame_sets=m.dropped_frame_sets,
            time_uncertainty_ns=m.time_uncertainty_ns,
            safe_stop=SafeStop._of(m.safe_stop) if m.HasField("safe_stop") else None,
        )


@dataclasses.dataclass(frozen=True)
class Sent:
    """How a command was sent."""

    #: Lines of each select word that was used, and the chips it reached.
    words: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]
    #: Bus time at which it began.
    start_bus_ns: int
    #: How long it waited for a gap of the timetable, in bus nanoseconds.
    waited_ns: int

    @classmethod
    def _of(cls, m: Any) -> Sent:
        return cls(tuple((tuple(w.lines), tuple(w.reaches)) for w in m.words), m.start_bus_ns, m.waited_ns)
