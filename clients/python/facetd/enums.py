"""Enumerations of the API. A value that this client does not know, as a newer daemon
may send, is read as the one called UNKNOWN (0)."""

from __future__ import annotations

import enum


class _Enum(enum.IntEnum):
    @classmethod
    def _missing_(cls, value: object) -> _Enum | None:
        return cls(0) if isinstance(value, int) and value != 0 else None


class State(_Enum):
    """What the daemon is doing."""

    UNKNOWN = 0
    STARTING = 1
    RUNNING = 2
    FAULT = 3
    STOPPING = 4
    SAFE_STOP = 5


class Pace(_Enum):
    """How the time of a virtual bus runs; UNKNOWN on any other bus."""

    UNKNOWN = 0
    REALTIME = 1
    FREE = 2
    LOCKSTEP = 3


class Arrangement(_Enum):
    """How the pixels of a frame lie."""

    UNKNOWN = 0
    SQUARE = 1
    #: Odd rows of the lattice are shifted right by half a column pitch.
    HEXAGONAL = 2


class Projection(_Enum):
    """How a lens maps the angle t from its axis to a radius on the sensor, in focal lengths."""

    #: Not known to this client; a lens of which the array says nothing is rectilinear.
    UNKNOWN = 0
    #: tan t
    RECTILINEAR = 1
    #: t
    EQUIDISTANT = 2
    #: 2 tan(t/2)
    STEREOGRAPHIC = 3


class Correction(_Enum):
    """A change made to the codes after conversion."""

    UNKNOWN = 0
    OFFSET = 1
    OFFSET_GAIN = 2
    PIXEL_FILL = 3
    RESAMPLED = 4
    LOG_RESPONSE = 5


class Phase(_Enum):
    """What the bus is busy with."""

    UNKNOWN = 0
    SELECT = 1
    WRITE = 2
    LOAD = 3
    SHARE = 4
    SETTLE = 5
    CONVERT = 6


class RefusalReason(_Enum):
    """Why tasks do not fit."""

    UNKNOWN = 0
    UTILIZATION = 1
    JOB_TOO_LONG = 2
    DEADLINE = 3
    HOLD = 4
    SKEW = 5
    SELECT = 6
    UNDECIDED = 7
    QUEUE = 8
    PAIR = 9


class Register(_Enum):
    """A register of a chip."""

    UNKNOWN = 0
    COLUMN_PATTERN = 1
    ROW_PATTERN = 2
    OUTPUT_ENABLE = 3
    PIXEL_BIAS = 4
    OUTPUT_BIAS = 5
    GAIN = 6
    OFFSET = 7


class Strobe(_Enum):
    """A command that acts each time it arrives."""

    UNKNOWN = 0
    LOAD = 1
    SHARE = 2
    RESET = 3
    ADVANCE = 4
    EXPOSE = 5


class Severity(_Enum):
    """How much an event matters."""

    UNKNOWN = 0
    INFO = 1
    WARNING = 2
    ERROR = 3


class EventKind(_Enum):
    """What an event is about."""

    UNKNOWN = 0
    DAEMON_STARTED = 1
    DAEMON_STOPPED = 2
    TASK_ADDED = 3
    TASK_CHANGED = 4
    TASK_REMOVED = 5
    DEADLINE_MISSED = 6
    JOB_FAILED = 7
    RULE_VIOLATION = 8
    BUS_FAULT = 9
    RECORDING_STARTED = 10
    RECORDING_STOPPED = 11
    RECORDING_FAILED = 12
    RECORDING_LOST = 13
    RECORDING_RECOVERED = 14
    CALIBRATION = 15
    JOURNAL_LOST = 16
    REPLAY = 17
    CONFIGURATION = 18
    HOST_BEHIND = 19
    STORED_TASKS = 20
    SAFE_STOP = 21
    RESUMED = 22
    PROBE = 23
    FAULTS_INJECTED = 24
    BRINGUP = 25
    ACCESS_REFUSED = 26
    CLOCK_SET = 27
    LOCKSTEP = 28
    RECORDING_DELETED = 29
    TASK_PAUSED = 30
    TASK_RESUMED = 31
    HEALTH = 32


class LineState(_Enum):
    """What is known of the select lines after a safe stop was asked for."""

    UNKNOWN = 0
    CONFIRMED = 1
    NOT_CONFIRMED = 2


class RecordingState(_Enum):
    """What a recording is doing."""

    UNKNOWN = 0
    RUNNING = 1
    CLOSED = 2
    FAILED = 3
    TORN = 4


class MotionReason(_Enum):
    """Why there is no estimate of motion."""

    UNKNOWN = 0
    GAP = 1
    NOT_CORRECTED = 2
    CLIPPED = 3
    DIM = 4
    FLAT = 5
    OUT_OF_RANGE = 6
    LATTICE = 7


class ReadingUnit(_Enum):
    """What a reading of a board is in."""

    UNKNOWN = 0
    VOLTS = 1
    AMPERES = 2
    CELSIUS = 3


class Edge(_Enum):
    """Which edges of an input are told."""

    UNKNOWN = 0
    RISING = 1
    FALLING = 2
    BOTH = 3


#: By name of the enumeration in the schema; tests compare them.
ALL: dict[str, type[_Enum]] = {
    cls.__name__: cls
    for cls in (
        State, Pace, Arrangement, Projection, Correction, Phase, RefusalReason, Register, Strobe, Severity, EventKind,
        LineState, RecordingState, MotionReason, ReadingUnit, Edge,
    )
}
