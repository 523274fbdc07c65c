"""Frames, sets of frames, what was lost between them, and how old they are."""

from __future__ import annotations

import dataclasses
import datetime
import functools
import hashlib
import math
import struct
import time
from collections.abc import Iterable, Iterator
from typing import Any, SupportsIndex

import numpy as np
import numpy.typing as npt

from ._boot import BOOT
from ._schema import value
from .enums import Correction, Arrangement
from .errors import BadFrameError, ClockError, StaleError
from .task import Window

#: A time that lies further in the future than this and its own uncertainty means that
#: the clocks of daemon and client do not agree.
CLOCK_TOLERANCE_NS = 20_000_000


def to_datetime(ns: int) -> datetime.datetime:
    """Returns nanoseconds since 1970 as UTC, cut to whole microseconds."""
    return datetime.datetime.fromtimestamp(ns // 10**9, datetime.timezone.utc).replace(microsecond=ns % 10**9 // 1000)


def timestamp_ns(m: Any) -> int:
    """Returns a google.protobuf.Timestamp in nanoseconds since 1970."""
    return int(m.seconds) * 10**9 + int(m.nanos)


class Frame:
    """One view of one chip. It cannot be changed, and may be shared by threads."""

    def __init__(self, m: Any) -> None:
        """Wraps a message facetd.v1.Frame; BadFrameError when it contradicts itself."""
        #: Chip that it is of.
        self.chip: str = m.chip
        #: View within the task.
        self.view: str = m.view
        #: (rows, columns)
        self.shape: tuple[int, int] = (m.rows, m.columns)
        self._m = m
        self._data: bytes = m.data
        who = f"frame of chip {self.chip!r}, view {self.view!r}"
        if m.pixel_format != "Mono16":
            raise BadFrameError(f"{who}: pixel format {m.pixel_format!r}, this client knows Mono16 only")
        if len(self._data) != 2 * m.rows * m.columns:
            raise BadFrameError(
                f"{who}: {len(self._data)} bytes of data, but {m.rows} rows of {m.columns} columns are {2 * m.rows * m.columns} bytes"
            )
        if not 1 <= m.significant_bits <= 16:
            raise BadFrameError(f"{who}: {m.significant_bits} significant bits in codes of 16")

    def __repr__(self) -> str:
        return f"<Frame {self.chip}/{self.view} {self.shape[0]}x{self.shape[1]} at {self.light_bus_ns} ns>"

    @functools.cached_property
    def codes(self) -> npt.NDArray[np.uint16]:
        """The codes as (rows, columns), uint16. It is a read-only view of the received
        bytes: nothing is copied; take ``codes.copy()`` to change them."""
        # Little-endian whatever the host is; on most hosts that is plain uint16.
        return np.frombuffer(self._data, dtype="<u2").reshape(self.shape)

    @property
    def volts(self) -> npt.NDArray[np.float64]:
        """The codes as volts at the converter's input, worked out at each call. Of
        corrected frames it is the corrected signal on the same scale."""
        return self.codes * float(self._m.volts_per_code) + float(self._m.code_zero_volts)

    @property
    def arrangement(self) -> Arrangement:
        """How the pixels lie."""
        return Arrangement(self._m.arrangement)

    @property
    def window(self) -> Window:
        """The pixels of the chip that were read."""
        return Window._of(self._m.window)

    @property
    def significant_bits(self) -> int:
        """Bits that carry signal; codes are right-aligned."""
        return int(self._m.significant_bits)

    @property
    def code_zero_volts(self) -> float:
        """Input voltage that code 0 stands for, the middle of its step."""
        return float(self._m.code_zero_volts)

    @property
    def volts_per_code(self) -> float:
        """Volts of one step."""
        return float(self._m.volts_per_code)

    @property
    def clipped_low(self) -> int:
        """Pixels at the lowest code."""
        return int(self._m.clipped_low)

    @property
    def clipped_high(self) -> int:
        """Pixels at the highest code."""
        return int(self._m.clipped_high)

    @property
    def exposure_ns(self) -> int:
        """Exposure of integrating pixels, 0 of logarithmic ones; its middle is light_bus_ns."""
        return int(self._m.exposure_ns)

    @property
    def second_of_pair(self) -> bool:
        """Whether it is the second frame of a pair: the first has the same chip and view."""
        return bool(self._m.second_of_pair)

    @property
    def light_bus_ns(self) -> int:
        """Bus time at which the light was sampled."""
        return int(self._m.light_bus_ns)

    @property
    def first_sample_bus_ns(self) -> int:
        """Bus time at which the first pixel was sampled by the converter."""
        return int(self._m.first_sample_bus_ns)

    @property
    def last_converted_bus_ns(self) -> int:
        """Bus time at which the last pixel's conversion ended."""
        return int(self._m.last_converted_bus_ns)

    @property
    def has_time(self) -> bool:
        """Whether there is a host time; a frame that was never read has none."""
        return bool(self._m.HasField("first_sample_time"))

    @property
    def first_sample_time_ns(self) -> int:
        """first_sample_bus_ns by the daemon's clock: nanoseconds since 1970 (UTC)."""
        return timestamp_ns(self._m.first_sample_time)

    @property
    def first_sample_time(self) -> datetime.datetime:
        """The same as a datetime in UTC, cut to microseconds."""
        return to_datetime(self.first_sample_time_ns)

    @property
    def light_time_ns(self) -> int:
        """light_bus_ns by the daemon's clock: nanoseconds since 1970 (UTC)."""
        return self.first_sample_time_ns - (self.first_sample_bus_ns - self.light_bus_ns)

    @property
    def light_monotonic_ns(self) -> int | None:
        """When the light was sampled by the monotonic clock of the daemon's host, in
        nanoseconds since that was booted; None where that is not known. It is never set,
        but means nothing on another host, nor in a replay."""
        at = int(self._m.first_sample_monotonic_ns)
        return at - (self.first_sample_bus_ns - self.light_bus_ns) if at else None

    @property
    def utc_epoch(self) -> int:
        """Counts from 1 how often UTC was set on the daemon's host, or the host slept; times
        of two epochs may be out of order. 0 where it is not known."""
        return int(self._m.utc_epoch)

    @property
    def light_time(self) -> datetime.datetime:
        """The same as a datetime in UTC, cut to microseconds."""
        return to_datetime(self.light_time_ns)

    @property
    def time_uncertainty_ns(self) -> int:
        """How far the host times may be off."""
        return int(self._m.time_uncertainty_ns)

    @property
    def row_offsets_ns(self) -> npt.NDArray[np.int64]:
        """Sampling time of the first pixel of each row after that of the frame."""
        return np.array(self._m.row_offset_ns, dtype=np.int64)

    @property
    def row_light_offsets_ns(self) -> npt.NDArray[np.int64]:
        """Time of the light of each row after light_bus_ns, of chips with memory; empty of others, whose rows show the
        light of the time at which they are sampled."""
        return np.array(self._m.row_light_offset_ns, dtype=np.int64)

    @property
    def pixel_interval_ns(self) -> int:
        """Time between two pixels of a row."""
        return int(self._m.pixel_interval_ns)

    @property
    def hold_ns(self) -> int:
        """Longest time from load to conversion; 0 for chips without memory."""
        return int(self._m.hold_ns)

    @property
    def corrections(self) -> tuple[Correction, ...]:
        """What was done to the codes; empty means raw."""
        return tuple(Correction(c) for c in self._m.corrections)

    @property
    def correction_map_id(self) -> str:
        """The correction map that was applied; empty where none was."""
        return str(self._m.correction_map_id)

    @property
    def correction_map_digest(self) -> str:
        """Its digest, by which the daemon serves it and recordings hold it."""
        return str(self._m.correction_map_digest)

    @property
    def fixed_pattern_codes(self) -> float | None:
        """What the correction leaves of the fixed pattern: its standard deviation in codes; None where nothing tells."""
        return float(self._m.fixed_pattern_codes) if self._m.HasField("fixed_pattern_codes") else None

    @property
    def note(self) -> str:
        """Why a correction that was asked for was not made, or what to know of it."""
        return str(self._m.correction_note)


class Frames:
    """The frames of a set, in the order of the target and then of the views.

    ``frames["chip"]`` is that chip's frame where it has one view, ``frames["chip",
    "view"]`` one of several, ``frames[0]`` the first; iterating gives the frames themselves. Of a
    task with a pair interval chips have the first frame of each pair by their name; ``second`` has the second ones.
    """

    def __init__(self, frames: Iterable[Frame], *, second: bool = False) -> None:
        self._all = tuple(frames)
        self._by_chip: dict[str, dict[str, Frame]] = {}
        for f in self._all:
            if f.second_of_pair != second:
                continue
            views = self._by_chip.setdefault(f.chip, {})
            if f.view in views:
                raise BadFrameError(f"chip {f.chip!r} has two frames of view {f.view!r} in one set")
            views[f.view] = f

    @property
    def second(self) -> Frames:
        """The second frames of pairs, which have the chips and views of the first; none where there are no pairs."""
        return Frames((f for f in self._all if f.second_of_pair), second=True)

    def __getitem__(self, key: str | tuple[str, str] | SupportsIndex) -> Frame:
        if isinstance(key, SupportsIndex):
            return self._all[key]
        chip, view = (key, None) if isinstance(key, str) else key
        views = self._by_chip.get(chip)
        if views is None:
            raise KeyError(f"no frame of chip {chip!r}; there are {', '.join(self._by_chip) or 'none'}")
        if view is None:
            if len(views) > 1:
                raise KeyError(f"chip {chip!r} has several views: say frames[{chip!r}, VIEW] with one of {', '.join(views)}")
            return next(iter(views.values()))
        if view not in views:
            raise KeyError(f"chip {chip!r} has no view {view!r}; there are {', '.join(views)}")
        return views[view]

    def __iter__(self) -> Iterator[Frame]:
        return iter(self._all)

    def __len__(self) -> int:
        return len(self._all)

    def __contains__(self, chip: object) -> bool:
        return chip in self._by_chip

    @property
    def chips(self) -> tuple[str, ...]:
        """Names of the chips, in order."""
        return tuple(self._by_chip)

    def __repr__(self) -> str:
        return f"<Frames of {', '.join(self._by_chip)}>"


#: Less than this is the time between two readings of clocks: a host takes longer to go to sleep and to wake up.
SLEEP_NS = 100_000_000


def _slept_ns() -> int:
    """How long this host has slept since its boot, in which its monotonic clock stood still; 0 where it cannot tell."""
    boot_time = getattr(time, "CLOCK_BOOTTIME", None)
    return 0 if boot_time is None else time.clock_gettime_ns(boot_time) - time.clock_gettime_ns(time.CLOCK_MONOTONIC)


@dataclasses.dataclass(frozen=True)
class Gap:
    """What a stream lost just before a frame set, as far as can be known."""

    #: Frame sets of this task that were dropped because the reader was slow. Those that
    #: finished while there was no connection are among the missing jobs alone.
    dropped: int
    #: Numbers of the jobs of this task and generation that never came, those dropped
    #: included. Over a restart jobs count from 0 again: then it is those of the new run
    #: before this set, and how many the old run still made is not known. None where it is
    #: not known: of a task that was replaced while there was no connection, and on a stream
    #: with max_rate_hz, which leaves jobs out on purpose.
    missing_jobs: range | None
    #: Times that the connection was lost and made again.
    reconnects: int
    #: Whether it is another run of the daemon than before: bus time, jobs and generations
    #: are numbered anew.
    restarted: bool
    #: Last job of this task that was received; None where there was none.
    previous_job: int | None
    #: From the release of that job to the release of this one; None after a restart.
    bus_gap_ns: int | None
    #: From the light of that set to the light of this one by the daemon's clock, or
    #: between their arrivals where a set has no frames; None where there was none.
    host_gap_ns: int | None
    #: Whether the task has become another of the same name: it was changed, or removed and
    #: made anew.
    replaced: bool = False


@dataclasses.dataclass(frozen=True)
class FrameSet:
    """All frames of one job. It cannot be changed, and may be shared by threads."""

    #: Task; empty for a capture.
    task: str
    #: Number of the job since the task began, from 0.
    job: int
    #: The frames.
    frames: Frames
    #: Whether it finished after its deadline.
    late: bool
    #: Why the job failed; its frames are then missing or incomplete.
    failure: str
    release_bus_ns: int
    deadline_bus_ns: int
    start_bus_ns: int
    finish_bus_ns: int
    #: Spread of the frames' light times.
    skew_ns: int
    #: Arrival by this host's clocks: time.time_ns() and time.monotonic_ns().
    received_time_ns: int
    received_monotonic_ns: int
    #: What was lost just before it of this task; None where nothing was.
    gap: Gap | None = None
    #: The boot of the daemon's host by which the monotonic times of its frames are; empty where it
    #: is not known, or they are none.
    host_boot_id: str = ""
    #: How long this host had slept since its boot when the set arrived.
    received_slept_ns: int = 0

    @classmethod
    def of(cls, m: Any, received_time_ns: int = 0, received_monotonic_ns: int = 0, gap: Gap | None = None, host_boot_id: str = "") -> FrameSet:
        """Wraps a message facetd.v1.FrameSet; BadFrameError when it contradicts
        itself. Without times it was received now."""
        return cls(
            task=m.task,
            job=m.job,
            frames=Frames(Frame(f) for f in m.frames),
            late=m.late,
            failure=m.failure,
            release_bus_ns=m.release_bus_ns,
            deadline_bus_ns=m.deadline_bus_ns,
            start_bus_ns=m.start_bus_ns,
            finish_bus_ns=m.finish_bus_ns,
            skew_ns=m.skew_ns,
            received_time_ns=received_time_ns or time.time_ns(),
            received_monotonic_ns=received_monotonic_ns or time.monotonic_ns(),
            gap=gap,
            host_boot_id=host_boot_id,
            received_slept_ns=_slept_ns(),
        )

    @property
    def shared_clock(self) -> bool:
        """Whether the monotonic clock of its frames is this host's, so that no setting of UTC changes its age."""
        return self.host_boot_id == BOOT != ""

    @property
    def light_time_ns(self) -> int | None:
        """When the oldest light of the set was sampled, by the daemon's clock, in
        nanoseconds since 1970 (UTC); None when no frame has a time."""
        return min((f.light_time_ns for f in self.frames if f.has_time), default=None)

    def age(self) -> float:
        """Returns how old the oldest light of the set is now, in seconds; never less
        than it really was, as far as can be known here.

        It is the larger of two ages: by the time stamp and this host's clock, with the
        stamp's uncertainty added, and by how long the set has been here, with the time
        that this host slept. The first is by the monotonic clock too where the daemon runs on this
        host (shared_clock), and by UTC elsewhere. Infinite when a frame has no time, or
        there is none. Raises ClockError when the light lies in the future: then the clocks
        do not agree.
        """
        monotonic_ns = time.monotonic_ns()
        waited_ns = monotonic_ns - self.received_monotonic_ns
        if (slept_ns := _slept_ns() - self.received_slept_ns) > SLEEP_NS:
            waited_ns += slept_ns
        now_ns = time.time_ns()
        worst = float(waited_ns) if len(self.frames) else math.inf
        for f in self.frames:
            if not f.has_time:
                return math.inf
            age_ns = now_ns - f.light_time_ns
            if self.shared_clock and f.light_monotonic_ns is not None:
                age_ns = monotonic_ns - f.light_monotonic_ns
            if -age_ns > f.time_uncertainty_ns + CLOCK_TOLERANCE_NS:
                raise ClockError(
                    f"the light of {f.chip} was sampled {-age_ns / 1e9:.3f} s in the future: "
                    "the clocks of daemon and client do not agree"
                )
            worst = max(worst, age_ns + f.time_uncertainty_ns)
        return worst / 1e9

    def is_stale(self, max_age: float) -> bool:
        """Whether the set must not be acted upon: it is older than max_age seconds, its
        age is not known, or its job failed. A late job that is young enough is not
        stale; look at ``late`` too where the deadline matters.

        This judges one set. That no set comes at all, only a time limit on waiting for
        the next one shows: see Stream.next.
        """
        if self.failure:
            return True
        try:
            return not self.age() <= max_age  # so that a NaN is stale
        except ClockError:
            return True

    def check_fresh(self, max_age: float) -> None:
        """Raises StaleError with the reason where is_stale says yes."""
        if self.failure:
            raise StaleError(f"job {self.job} of task {self.task!r} failed: {self.failure}")
        age = self.age()
        if not age <= max_age:
            raise StaleError(f"job {self.job} of task {self.task!r} is {age:.3f} s old, more than {max_age:.3f} s")


@dataclasses.dataclass(frozen=True)
class Capture:
    """A target that was read once."""

    frame_set: FrameSet
    #: How long it waited for a gap of the timetable, in bus nanoseconds.
    waited_ns: int


@dataclasses.dataclass(frozen=True)
class CaptureWait:
    """How long a capture may wait in the active timetable, while no other on-demand job waits
    and the host keeps up: the longest, whenever it is asked for, in bus nanoseconds. None
    where it fits only where a reservation of a sporadic task is not used."""

    #: Bus time that the capture takes.
    job_ns: int
    worst_start_ns: int | None
    worst_first_sample_ns: int | None
    worst_end_ns: int | None
    #: Whether some request waits for so long.
    exact: bool
    #: On-demand jobs that wait now, and what they add to each of the times at most.
    waiting: int
    waiting_adds_ns: int | None

    @classmethod
    def _of(cls, m: Any) -> CaptureWait:
        return cls(**{f.name: value(m, f.name) for f in dataclasses.fields(cls)})


class Digest:
    """SHA-256 over frame sets, as `facetd --run-for` prints it: equal digests mean the
    same codes at the same bus times. Not for use by several threads at once."""

    def __init__(self) -> None:
        self._h = hashlib.sha256()
        #: Frame sets added.
        self.sets = 0

    def add(self, fs: FrameSet) -> None:
        """Appends a frame set. Host times are left out: they differ between runs."""
        self.sets += 1
        self._text(fs.task)
        self._numbers(fs.job, fs.release_bus_ns, fs.deadline_bus_ns, fs.start_bus_ns, fs.finish_bus_ns, len(fs.frames))
        for f in fs.frames:
            self._text(f.chip)
            self._text(f.view)
            self._numbers(f.light_bus_ns, f.first_sample_bus_ns, f.last_converted_bus_ns, len(f._data))
            self._h.update(f._data)

    def hexdigest(self) -> str:
        """Returns the digest so far, in hexadecimal; more may be added afterwards."""
        return self._h.hexdigest()

    def _text(self, s: str) -> None:
        b = s.encode()
        self._numbers(len(b))
        self._h.update(b)

    def _numbers(self, *values: int) -> None:
        for v in values:
            self._h.update(struct.pack("<Q", v & 0xFFFF_FFFF_FFFF_FFFF))
