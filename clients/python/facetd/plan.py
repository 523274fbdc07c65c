"""Plans: what tasks will see, or why they do not fit."""

from __future__ import annotations

import dataclasses
import fractions
from typing import Any

from ._schema import value
from .enums import Phase, RefusalReason
from .task import Task, Window


@dataclasses.dataclass(frozen=True)
class Suggestion:
    """A change to one task with which all tasks fit."""

    task: str
    message: str
    #: Least binning (rows, columns) of every view that fits; None where it is a window.
    binning: tuple[int, int] | None
    #: Largest window that fits for every view; None where it is a binning.
    window: Window | None
    #: Bus time of a job with the change.
    job_ns: int

    @classmethod
    def _of(cls, m: Any) -> Suggestion:
        return cls(
            m.task,
            m.message,
            (m.binning.rows or 1, m.binning.columns or 1) if m.HasField("binning") else None,
            Window._of(m.window) if m.HasField("window") else None,
            m.job_ns,
        )


@dataclasses.dataclass(frozen=True)
class FittingRate:
    """A rate of one task with which all tasks fit, the others as asked."""

    task: str
    #: In hertz, fits as typed; None where none was found.
    rate_hz: float | None
    #: Whether it is proved to be the highest up to searched_up_to_hz, of timetables up to
    #: searched_table_ns; otherwise higher ones may fit.
    proved_highest: bool
    searched_up_to_hz: float
    #: None where the search was not complete for any length of table.
    searched_table_ns: int | None
    #: Why no rate fits at all, and the task that is in the way; empty where that is not proved.
    witness: str
    in_the_way: str
    #: Of a sporadic task: a deadline with which all tasks fit; 0 where none was found.
    deadline_ns: int

    @classmethod
    def _of(cls, m: Any) -> FittingRate:
        return cls(**{f.name: value(m, f.name) for f in dataclasses.fields(cls)})


@dataclasses.dataclass(frozen=True)
class StretchedTask:
    """A task at a lower rate."""

    task: str
    rate_hz: float
    #: None where the task has no deadline of its own.
    deadline_ns: int | None

    @classmethod
    def _of(cls, m: Any) -> StretchedTask:
        return cls(m.task, m.rate_hz, value(m, "deadline_ns"))


@dataclasses.dataclass(frozen=True)
class Refusal:
    """Why tasks do not fit, in numbers: the witness."""

    reason: RefusalReason
    message: str
    #: The task that does not fit; empty where none can be named.
    task: str
    needed_ns: int
    available_ns: int
    #: Utilization asked for, 0 and up.
    utilization: float
    #: Least factor on all periods and deadlines that would fit; None where it is not known.
    least_stretch: fractions.Fraction | None
    #: Whether no smaller factor fits; otherwise one may.
    least_stretch_exact: bool
    #: What is known of the rate of each task beside the others as asked, by its name.
    fitting_rates: dict[str, FittingRate]
    #: All tasks at rates about least_stretch lower, which fit as typed.
    stretched: tuple[StretchedTask, ...]
    #: Each would make the tasks fit by itself.
    suggestions: tuple[Suggestion, ...]

    @classmethod
    def _of(cls, m: Any) -> Refusal:
        return cls(
            RefusalReason(m.reason),
            m.message,
            m.task,
            m.needed_ns,
            m.available_ns,
            m.utilization,
            fractions.Fraction(m.least_stretch.numerator, m.least_stretch.denominator) if m.HasField("least_stretch") else None,
            m.least_stretch_exact,
            {r.task: FittingRate._of(r) for r in m.fitting_rates},
            tuple(StretchedTask._of(t) for t in m.stretched),
            tuple(Suggestion._of(s) for s in m.suggestions),
        )


@dataclasses.dataclass(frozen=True)
class Prediction:
    """What one task will see under a timetable."""

    task: str
    requested_rate_hz: float
    planned_rate_hz: float
    worst_response_ns: int
    best_response_ns: int
    least_slack_ns: int
    jitter_ns: int
    skew_ns: int
    worst_hold_ns: int
    worst_droop_volts: float
    #: Light on the pixels that the droop counts, in lux.
    droop_lux: float
    job_ns: int
    #: Fraction of bus time, 0 to 1.
    bus_utilization: float
    segments: int
    #: Frames of one job.
    frames: int
    #: Of a sporadic task, whose responses are from its trigger: 0 for others.
    least_interval_ns: int
    longest_reservation_distance_ns: int
    worst_response_in_change_ns: int
    #: Least and greatest time between the light of two frames that are compared for motion; 0 where none are.
    least_light_interval_ns: int
    greatest_light_interval_ns: int
    #: Fastest turn of the body that motion follows from rest, in radians a second.
    fastest_turn_rad_per_s: float

    @classmethod
    def _of(cls, m: Any) -> Prediction:
        return cls(**{f.name: getattr(m, f.name) for f in dataclasses.fields(cls)})


@dataclasses.dataclass(frozen=True)
class Plan:
    """What the planner made of a set of tasks."""

    array: str
    tasks: tuple[Task, ...]
    #: Of each task by its name; empty where they do not fit.
    predictions: dict[str, Prediction]
    #: Fraction of bus time that is used, 0 to 1.
    utilization: float
    phases: dict[Phase, float]
    #: Which test or search found the verdict.
    method: str
    #: Length of the repeating timetable; 0 where the tasks do not fit.
    hyperperiod_ns: int
    #: Changes that would save bus time, in words.
    advice: tuple[str, ...]
    #: Why the tasks do not fit; None when they do.
    refusal: Refusal | None

    @property
    def fits(self) -> bool:
        """Whether the tasks fit."""
        return self.refusal is None

    @classmethod
    def _of(cls, m: Any) -> Plan:
        return cls(
            m.array,
            tuple(Task._of(t) for t in m.tasks),
            {p.task: Prediction._of(p) for p in m.predictions},
            m.utilization,
            {Phase(p.phase): p.fraction for p in m.phases},
            m.method,
            m.timetable.hyperperiod_ns,
            tuple(a.message for a in m.advice),
            Refusal._of(m.refusal) if m.HasField("refusal") else None,
        )
