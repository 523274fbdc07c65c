"""Tasks: standing requests for frames at a rate, and how they do."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from ._schema import new, value

#: Chips that something is meant for: "all", the name of a group, or names of chips.
Target = str | Sequence[str]


def target_message(target: Target) -> Any:
    """Returns a target as the schema has it. No group can be called "all"."""
    if isinstance(target, str):
        return new("Target", all=new("AllChips")) if target == "all" else new("Target", group=target)
    return new("Target", list=new("ChipList", names=list(target)))


def _target_of(m: Any) -> Target:
    which = m.WhichOneof("chips")
    if which == "group":
        return str(m.group)
    if which == "list":
        return tuple(m.list.names)
    return "all" if which == "all" else ()


def _duration(ns: int | None) -> Any:
    if ns is None:
        return None
    # The parts of a Duration have one sign.
    sign, ns = (-1, -ns) if ns < 0 else (1, ns)
    return new("google.protobuf.Duration", seconds=sign * (ns // 10**9), nanos=sign * (ns % 10**9))


def _duration_ns(m: Any, field: str) -> int | None:
    if not m.HasField(field):
        return None
    d = getattr(m, field)
    return int(d.seconds) * 10**9 + int(d.nanos)


@dataclasses.dataclass(frozen=True)
class Window:
    """The rectangle of pixels that is read, with steps. 0 rows or columns mean as many
    as the lattice has left; step 0 means one pixel of each bin."""

    row: int = 0
    column: int = 0
    rows: int = 0
    columns: int = 0
    row_step: int = 0
    column_step: int = 0

    @classmethod
    def _of(cls, m: Any) -> Window:
        return cls(m.row, m.column, m.rows, m.columns, m.row_step, m.column_step)

    def _message(self) -> Any:
        return new("Window", **dataclasses.asdict(self))


@dataclasses.dataclass(frozen=True)
class Trim:
    """Values of the registers of biases and amplifier during a view; None is nominal."""

    pixel_bias: int | None = None
    output_bias: int | None = None
    gain_index: int = 0
    offset: int = 0

    @classmethod
    def _of(cls, m: Any) -> Trim:
        def of(field: str) -> int | None:
            return int(getattr(m, field)) if m.HasField(field) else None

        return cls(of("pixel_bias"), of("output_bias"), m.gain_index, m.offset)

    def _message(self) -> Any:
        return new("TrimSettings", **dataclasses.asdict(self))


#: The least and the greatest value of something, both included.
Bounds = tuple[int, int]


def _optional(m: Any, field: str) -> int | None:
    return int(getattr(m, field)) if m.HasField(field) else None


#: What may be set between jobs, but exposures.
_MOVING = ("row", "column", "pixel_bias", "output_bias", "gain_index", "offset")


@dataclasses.dataclass(frozen=True)
class Movable:
    """What of a view may be set between the jobs of a task, each with its bounds: the
    timetable allows for the costliest. What is None does not move."""

    #: First row and column of the window.
    row: Bounds | None = None
    column: Bounds | None = None
    #: Registers of biases and amplifier.
    pixel_bias: Bounds | None = None
    output_bias: Bounds | None = None
    gain_index: Bounds | None = None
    offset: Bounds | None = None
    #: Exposure of integrating pixels with a shutter, of the first view alone.
    exposure_ns: Bounds | None = None
    #: Whether frame sets may be without the view's frames.
    active: bool = False

    @classmethod
    def _of(cls, m: Any) -> Movable:
        def of(field: str) -> Bounds | None:
            b = getattr(m, field)
            return (int(b.low), int(b.high)) if m.HasField(field) else None

        exposure = None
        if m.HasField("exposure"):
            exposure = (_duration_ns(m.exposure, "low") or 0, _duration_ns(m.exposure, "high") or 0)
        return cls(**{f: of(f) for f in _MOVING}, exposure_ns=exposure, active=bool(m.active))

    def _message(self) -> Any:
        out = new("Movable", active=self.active)
        for f in _MOVING:
            b = getattr(self, f)
            if b is not None:
                getattr(out, f).CopyFrom(new("Bounds", low=b[0], high=b[1]))
        if self.exposure_ns is not None:
            low, high = self.exposure_ns
            out.exposure.CopyFrom(new("ExposureBounds", low=_duration(low), high=_duration(high)))
        return out


@dataclasses.dataclass(frozen=True)
class Parameters:
    """Values of what a view says in movable. Of those that are set, None stays as it is;
    of those that are shown, None does not move."""

    #: Name of the view; may be left out for a task with one view.
    view: str = ""
    row: int | None = None
    column: int | None = None
    pixel_bias: int | None = None
    output_bias: int | None = None
    gain_index: int | None = None
    offset: int | None = None
    #: Rounded up to the grain of the bus.
    exposure_ns: int | None = None
    #: Whether frame sets have frames of the view.
    active: bool | None = None

    @classmethod
    def _of(cls, m: Any) -> Parameters:
        active = bool(m.active) if m.HasField("active") else None
        return cls(m.view, *(_optional(m, f) for f in _MOVING), _duration_ns(m, "exposure"), active)

    def _message(self) -> Any:
        given = {f: getattr(self, f) for f in _MOVING}
        return new("ViewParameters", view=self.view, exposure=_duration(self.exposure_ns), active=self.active, **given)


@dataclasses.dataclass(frozen=True)
class ParametersSet:
    """From when on parameters are active."""

    #: Number of the first job of the task that has them.
    first_job: int
    #: All parameters of the task from that job on, by view.
    views: dict[str, Parameters]

    @classmethod
    def _of(cls, m: Any) -> ParametersSet:
        return cls(int(m.first_job), {v.view: Parameters._of(v) for v in m.views})


@dataclasses.dataclass(frozen=True)
class AutomaticExposure:
    """Has the daemon set exposure, gain and offset of a view from job to job, those of them
    for which movable has bounds."""

    #: Level of the codes that is held, as a share of their range.
    level: float
    #: Of so many in a hundred pixels the code is lower; None holds the mean.
    percentile: float | None = None
    #: Time over which flicker is averaged; None is one second.
    averaging_ns: int | None = None

    @classmethod
    def _of(cls, m: Any) -> AutomaticExposure:
        percentile = float(m.percentile) if m.HasField("percentile") else None
        return cls(float(m.level), percentile, _duration_ns(m, "averaging"))

    def _message(self) -> Any:
        averaging = _duration(self.averaging_ns)
        return new("AutomaticExposure", level=self.level, percentile=self.percentile, averaging=averaging)


@dataclasses.dataclass(frozen=True)
class View:
    """One processed readout within a task."""

    #: Unique within the task; empty means ``view-`` and its number.
    name: str = ""
    #: Rows and columns of the blocks that are averaged: 1, 2, 4 or 8 each.
    binning: tuple[int, int] = (1, 1)
    #: Alternating shares of pairs along each axis, before the binning.
    smoothing_steps: int = 0
    #: Explicit shares before smoothing and binning: column and row pattern, each eight
    #: characters "0" or "1", bit 0 first, or empty.
    shares: tuple[tuple[str, str], ...] = ()
    #: What is read; None is the whole lattice.
    window: Window | None = None
    #: Registers of biases and amplifier; None is nominal.
    trim: Trim | None = None
    #: What may be set between jobs; None is nothing.
    movable: Movable | None = None
    #: Exposure of the load of integrating pixels with a shutter; None is that of their class.
    exposure_ns: int | None = None
    #: What the daemon sets of it; None is nothing.
    automatic: AutomaticExposure | None = None

    @classmethod
    def _of(cls, m: Any) -> View:
        return cls(
            name=m.name,
            binning=(m.binning.rows or 1, m.binning.columns or 1),
            smoothing_steps=m.smoothing_steps,
            shares=tuple((s.columns, s.rows) for s in m.shares),
            window=Window._of(m.window) if m.HasField("window") else None,
            trim=Trim._of(m.trim) if m.HasField("trim") else None,
            movable=Movable._of(m.movable) if m.HasField("movable") else None,
            exposure_ns=_duration_ns(m, "exposure"),
            automatic=AutomaticExposure._of(m.automatic) if m.HasField("automatic") else None,
        )

    def _message(self) -> Any:
        rows, columns = self.binning
        return new(
            "View",
            name=self.name,
            binning=None if (rows, columns) == (1, 1) else new("Binning", rows=rows, columns=columns),
            smoothing_steps=self.smoothing_steps,
            shares=[new("Share", columns=c, rows=r) for c, r in self.shares],
            window=self.window._message() if self.window else None,
            trim=self.trim._message() if self.trim else None,
            movable=self.movable._message() if self.movable else None,
            exposure=_duration(self.exposure_ns),
            automatic=self.automatic._message() if self.automatic else None,
        )


@dataclasses.dataclass(frozen=True)
class Task:
    """A standing request for frames: at a rate, or, with a least interval in its place, when
    it is triggered."""

    #: Unique among the tasks.
    name: str
    #: The chips that every job reads, of one class.
    target: Target
    #: Jobs per second; 0 for a sporadic task.
    rate_hz: float = 0
    #: A job must be finished this long after its release, or trigger; None is one period, or the least interval.
    deadline_ns: int | None = None
    #: Longest time from load to the last conversion of a frame; None is no limit.
    max_hold_ns: int | None = None
    #: Largest spread of sampling times within a set; None is no limit.
    max_skew_ns: int | None = None
    #: What is read of each chip; none is one plain view.
    views: tuple[View, ...] = ()
    #: Least time between two triggers of a sporadic task; None for a task with a rate.
    least_interval_ns: int | None = None
    #: It keeps its place in the timetable and has no jobs. A change of this alone touches no other task.
    paused: bool = False
    #: Time from the light of the first frame of a pair to that of the second, where each job loads and reads its chips
    #: twice for a pair of frames, which motion is told from; None is one load.
    pair_interval_ns: int | None = None

    @classmethod
    def _of(cls, m: Any) -> Task:
        return cls(
            name=m.name,
            target=_target_of(m.target),
            rate_hz=m.rate_hz,
            deadline_ns=_duration_ns(m, "deadline"),
            max_hold_ns=_duration_ns(m, "max_hold"),
            max_skew_ns=_duration_ns(m, "max_skew"),
            views=tuple(View._of(v) for v in m.views),
            least_interval_ns=_duration_ns(m, "least_interval"),
            paused=m.paused,
            pair_interval_ns=_duration_ns(m, "pair_interval"),
        )

    def _message(self) -> Any:
        return new(
            "Task",
            name=self.name,
            target=target_message(self.target),
            rate_hz=self.rate_hz,
            deadline=_duration(self.deadline_ns),
            max_hold=_duration(self.max_hold_ns),
            max_skew=_duration(self.max_skew_ns),
            views=[v._message() for v in self.views],
            least_interval=_duration(self.least_interval_ns),
            paused=self.paused,
            pair_interval=_duration(self.pair_interval_ns),
        )


@dataclasses.dataclass(frozen=True)
class TaskStatus:
    """How a task is doing. Rates are by bus time, in hertz."""

    requested_rate_hz: float
    planned_rate_hz: float
    achieved_rate_hz: float
    jobs_on_time: int
    jobs_late: int
    jobs_failed: int
    frames: int
    last_response_ns: int
    worst_response_ns: int
    last_skew_ns: int
    #: Why the last failed job failed; empty where none did.
    last_failure: str
    #: Jobs that have ended, whether on time, late or failed: the number of the next that does.
    jobs_ended: int
    #: Release of the last of them; None where none has ended.
    last_release_bus_ns: int | None
    #: Triggers of a sporadic task that were taken, and that were refused.
    triggers: int
    triggers_refused: int
    #: Longest time from a trigger to the end of its job, proved from the timetable; 0 for tasks with a rate.
    promised_response_ns: int
    #: Whether it is paused: then no frames are to be expected of it.
    paused: bool

    @classmethod
    def _of(cls, m: Any) -> TaskStatus:
        return cls(**{f.name: value(m, f.name) for f in dataclasses.fields(cls)})


@dataclasses.dataclass(frozen=True)
class Triggered:
    """The job of a sporadic task that a trigger has released. Times are bus time."""

    #: Number of the job, and generation of the task.
    job: int
    generation: int
    release_bus_ns: int
    #: When the job runs, where the timetable does not change before.
    start_bus_ns: int
    end_bus_ns: int
    #: From when on the next trigger is taken.
    next_trigger_bus_ns: int

    @classmethod
    def _of(cls, m: Any) -> Triggered:
        return cls(**{f.name: int(getattr(m, f.name)) for f in dataclasses.fields(cls)})


@dataclasses.dataclass(frozen=True)
class RunningTask:
    """A task with its status."""

    task: Task
    status: TaskStatus
    #: Bus time at which the change that returned this took effect; None in lists.
    effective_bus_ns: int | None = None
    #: What of its views may be set between jobs, by view, as it is for the next job that begins.
    parameters: dict[str, Parameters] = dataclasses.field(default_factory=dict)
    #: Stands for the task as it is described: a change that names it is made only while the task is so.
    etag: str = ""

    @classmethod
    def _of(cls, m: Any, effective_bus_ns: int | None = None) -> RunningTask:
        parameters = {p.view: Parameters._of(p) for p in m.parameters}
        return cls(Task._of(m.task), TaskStatus._of(m.status), effective_bus_ns, parameters, m.etag)


@dataclasses.dataclass(frozen=True)
class Update:
    """A change of one task; its name says which one."""

    task: Task
    #: Fields that are taken from task, as the schema names them ("rate_hz"); empty: all.
    fields: tuple[str, ...] = ()
    #: Of the task as it was read; ConflictError when it is another by now. Empty: however it is.
    etag: str = ""

    def _message(self) -> Any:
        m = new("TaskUpdate", task=self.task._message(), etag=self.etag)
        m.update_mask.paths.extend(self.fields)
        return m


@dataclasses.dataclass(frozen=True)
class Applied:
    """What became of several changes."""

    #: The tasks that were added and those that were changed.
    tasks: tuple[RunningTask, ...]
    #: Revision of the tasks with them.
    revision: int
    #: Bus time from which on they are active.
    effective_bus_ns: int
    #: By how many nanoseconds the releases of other tasks had to move, by task; those of the rest stay on their grid.
    shifts_ns: dict[str, int] = dataclasses.field(default_factory=dict)

    @classmethod
    def _of(cls, m: Any) -> Applied:
        tasks = tuple(RunningTask._of(t, m.effective_bus_ns) for t in m.tasks)
        return cls(tasks, m.revision, m.effective_bus_ns, {s.task: s.shift_ns for s in m.shifts})


def changes_message(
    add: Sequence[Task], update: Sequence[Update | Task], remove: Sequence[str], revision: int | None
) -> Any:
    """Returns the schema's TaskChanges."""
    m = new("TaskChanges", add=[t._message() for t in add])
    m.update.extend((u if isinstance(u, Update) else Update(u))._message() for u in update)
    m.remove.extend(new("TaskRemoval", name=name) for name in remove)
    if revision is not None:
        m.expected_revision = revision
    return m
