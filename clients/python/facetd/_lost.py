"""What a stream has received of each task, what it lost before each frame set, and what
waits for its reader. No clock, thread, or socket."""

from __future__ import annotations

import dataclasses
from typing import Any

from ._schema import new
from .errors import BadFrameError
from .frames import FrameSet, Gap


@dataclasses.dataclass
class Lost:
    """What was lost between two frame sets of a task."""

    #: First of the jobs before the frame set that never came; None where that is not known.
    first: int | None
    dropped: int = 0
    reconnects: int = 0
    replaced: bool = False
    restarted: bool = False

    def after(self, before: Lost, received: bool) -> None:
        """Adds what was lost before a frame set that the reader does not get; received
        says that it would have, had it been quicker."""
        if not (self.replaced or self.restarted):
            self.first = before.first
        self.dropped += before.dropped + received
        self.reconnects += before.reconnects
        self.replaced |= before.replaced
        self.restarted |= before.restarted


@dataclasses.dataclass
class Arrival:
    """A frame set as it came in."""

    message: Any
    received_time_ns: int
    received_monotonic_ns: int
    lost: Lost
    #: The boot of the daemon's host by which its monotonic times are; empty where it is not known.
    host_boot_id: str = ""


@dataclasses.dataclass
class _Place:
    """How far a stream has come with a task, and what belongs to its next frame set."""

    generation: int
    #: Number of the connection when it was received last, or heard of.
    connection: int
    #: Job that was received last; None where none was.
    job: int | None = None
    #: Job that is the next to be received or missed, where that is known.
    next: int | None = None
    #: Jobs missed while there was no connection.
    missed: int = 0
    #: Whether jobs of its generation may have been missed that nobody counts.
    unknown: bool = False
    replaced: bool = False
    restarted: bool = False
    #: Whether the daemon has no such task now.
    gone: bool = False


class Places:
    """How far a stream has come with each task, in which run of the daemon."""

    def __init__(self, decimated: bool) -> None:
        self._decimated = decimated
        self._places: dict[str, _Place] = {}
        self._connection = 0
        #: The run of the daemon; empty before the first connection.
        self.instance = ""
        #: The boot of the daemon's host; empty where that is not known.
        self.host_boot = ""
        self._dropped_before = self._dropped = 0

    @property
    def dropped_total(self) -> int:
        """Frame sets that the daemon dropped since the stream began."""
        return self._dropped_before + self._dropped

    def positions(self) -> list[Any]:
        """Returns how far the stream has come, as facetd.v1.TaskPosition."""
        return [
            new("TaskPosition", task=task, generation=p.generation, job=p.job)
            for task, p in self._places.items()
            if p.job is not None and not p.gone
        ]

    def begun(self, b: Any) -> None:
        """Compares what a connection is of with what was received before."""
        anew = self.instance != "" and not b.same_instance
        self.instance, self.host_boot = b.identity.instance_id, b.identity.host_boot_id
        self._connection += 1
        self._dropped_before, self._dropped = self.dropped_total, 0
        before, self._places = self._places, {}
        for t in b.tasks:
            self._places[t.task] = self._resumed(t, before.pop(t.task, None), anew)
        for task, was in before.items():  # should it come back, it is another one
            self._places[task] = dataclasses.replace(was, gone=True, restarted=was.restarted or anew)

    def _resumed(self, t: Any, was: _Place | None, anew: bool) -> _Place:
        if was is None:
            return _Place(t.generation, self._connection, next=t.jobs_ended, restarted=anew)
        if anew:
            return _Place(t.generation, was.connection, next=t.jobs_ended, restarted=True)
        if was.generation != t.generation or was.gone:
            return _Place(t.generation, was.connection, next=t.jobs_ended, unknown=True, replaced=True, restarted=was.restarted)
        if t.resumed:  # it counts from the last that was received, however many connections ago
            return dataclasses.replace(was, missed=t.missed, next=t.jobs_ended)
        missed = 0 if was.next is None else max(0, t.jobs_ended - was.next)
        return dataclasses.replace(was, missed=was.missed + missed, next=t.jobs_ended, unknown=was.unknown or was.next is None)

    def notice(self, n: Any) -> None:
        """Follows what became of a task."""
        was = self._places.get(n.task)
        if was is None:
            self._places[n.task] = _Place(n.generation, self._connection)
        elif n.change == _REMOVED:
            was.gone = True
        elif n.change in _PAUSES:
            pass  # its jobs are counted on
        else:
            self._places[n.task] = _Place(n.generation, was.connection, replaced=True, restarted=was.restarted)

    def lost(self, d: Any) -> Lost:
        """Returns what was lost before a frame set that is received now."""
        fs = d.frame_set
        p = self._places.get(fs.task) or _Place(fs.task_generation, self._connection)
        first: int | None = max(0, fs.job - d.left_out - p.missed)
        if p.restarted and not p.replaced:
            first = 0  # all that the new run has made of it
        if p.unknown or self._decimated:
            first = None
        self._places[fs.task] = _Place(fs.task_generation, self._connection, job=fs.job, next=fs.job + 1)
        self._dropped = d.dropped_total
        return Lost(first, d.dropped, self._connection - p.connection, p.replaced, p.restarted)


#: TASK_CHANGE_REMOVED
_REMOVED = 3

#: TASK_CHANGE_PAUSED and TASK_CHANGE_RESUMED
_PAUSES = (4, 5)


class Inbox:
    """What waits for the reader of a stream. Under "latest" the newest of each task
    waits, in the turn of the one it takes the place of, so that what a slow reader gets
    is never older than it must be; under "queue" all do, in the order they came: no more
    come than were granted. Not safe for use by several threads: the callers guard it."""

    def __init__(self, latest: bool) -> None:
        self._latest = latest
        self._waiting: dict[Any, Arrival] = {}
        self._number = 0
        #: Frame sets that newer ones took the place of.
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, a: Arrival) -> None:
        """Adds an arrival."""
        self._number += 1
        key = a.message.task if self._latest else self._number
        if (old := self._waiting.get(key)) is not None:
            self.dropped += 1
            a.lost.after(old.lost, True)
        self._waiting[key] = a

    def take(self) -> Arrival:
        """Returns what waits longest."""
        return self._waiting.pop(next(iter(self._waiting)))


@dataclasses.dataclass
class _Seen:
    """What is kept of the last frame set of a task that was handed out."""

    job: int
    release_bus_ns: int
    light_time_ns: int | None
    received_time_ns: int


class GapTracker:
    """Makes frame sets of arrivals, with what was lost before each. Give it all that are
    handed out, in order."""

    def __init__(self) -> None:
        self._seen: dict[str, _Seen] = {}
        self._bad: dict[str, Lost] = {}

    def frame_set(self, a: Arrival) -> FrameSet:
        """Returns the frame set of an arrival; BadFrameError when it contradicts itself:
        it is then among what the next has lost."""
        task = a.message.task
        if (bad := self._bad.pop(task, None)) is not None:
            a.lost.after(bad, False)
        try:
            fs = FrameSet.of(a.message, a.received_time_ns, a.received_monotonic_ns, host_boot_id=a.host_boot_id)
        except BadFrameError:
            self._bad[task] = a.lost
            raise
        last = self._seen.get(task)
        self._seen[task] = _Seen(fs.job, fs.release_bus_ns, fs.light_time_ns, fs.received_time_ns)
        gap = self._gap(fs, last, a.lost)
        return dataclasses.replace(fs, gap=gap) if gap else fs

    @staticmethod
    def _gap(fs: FrameSet, last: _Seen | None, lost: Lost) -> Gap | None:
        missing = None if lost.first is None else range(lost.first, fs.job)
        if not (lost.dropped or missing or lost.reconnects or lost.replaced or lost.restarted):
            return None
        bus_gap = host_gap = None
        if last is not None:
            if not lost.restarted:
                bus_gap = fs.release_bus_ns - last.release_bus_ns
            if fs.light_time_ns is not None and last.light_time_ns is not None:
                host_gap = fs.light_time_ns - last.light_time_ns
            else:
                host_gap = fs.received_time_ns - last.received_time_ns
        return Gap(
            dropped=lost.dropped,
            missing_jobs=missing,
            reconnects=lost.reconnects,
            restarted=lost.restarted,
            previous_job=None if last is None else last.job,
            bus_gap_ns=bus_gap,
            host_gap_ns=host_gap,
            replaced=lost.replaced,
        )
