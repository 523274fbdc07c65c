"""Client of facetd, the daemon that operates arrays of small image-sensor chips.

    import facetd

    with facetd.connect("127.0.0.1:7660") as client:
        for frame_set in client.stream(tasks=["bed"]):
            if frame_set.is_stale(max_age=0.2):
                continue  # a robot must not act on it
            print(frame_set.frames["bed-fl"].codes.mean())

`facetd.aio` has the same for asyncio.
"""

from . import aio
from ._channel import TLS
from ._follow import NO_RECONNECT, Backoff
from .array import Array, Chip, Lattice, Lens, Mount
from .clock import Clock
from .client import Client, EventStream, MotionStream, Stream, connect
from .enums import (
    Correction,
    EventKind,
    Arrangement,
    LineState,
    MotionReason,
    Pace,
    Phase,
    Projection,
    RecordingState,
    RefusalReason,
    Register,
    Severity,
    State,
    Strobe,
)
from .errors import (
    AccessError,
    BadFrameError,
    CancelledError,
    ClockError,
    ConflictError,
    DeadlineError,
    ExhaustedError,
    ExistsError,
    FacetdError,
    InvalidError,
    InvalidField,
    NotFoundError,
    Precondition,
    PreconditionError,
    RefusedError,
    StaleError,
    StoppedError,
    UnavailableError,
    UnsupportedError,
)
from .events import Event, Recording, RuleViolation, SafeStop, Sent, Status, StopReason
from .frames import Capture, CaptureWait, Digest, Frame, Frames, FrameSet, Gap
from .motion import BodyMotion, ChipMotion, ChipNearness, MotionEstimate, shared_rate
from .plan import FittingRate, Plan, Prediction, Refusal, StretchedTask, Suggestion
from .task import Applied, AutomaticExposure, Movable, Parameters, ParametersSet, RunningTask, Target, Task, TaskStatus, Triggered, Trim, Update, View, Window

__version__ = "0.1.0"

__all__ = [
    "NO_RECONNECT", "TLS", "AccessError", "Applied", "Array", "Backoff", "BadFrameError", "CancelledError", "Capture", "CaptureWait", "Chip",
    "BodyMotion", "ChipMotion", "ChipNearness", "MotionEstimate", "MotionReason", "MotionStream", "shared_rate",
    "Client", "Clock", "ClockError", "ConflictError", "Correction", "DeadlineError", "Digest", "Event", "EventKind", "EventStream",
    "ExhaustedError", "ExistsError", "FacetdError", "FittingRate", "Frame", "FrameSet", "Frames", "Gap", "InvalidError",
    "InvalidField", "Lattice", "Arrangement", "AutomaticExposure", "Lens", "LineState", "Mount", "Movable", "NotFoundError", "Pace", "Parameters", "ParametersSet", "Phase", "Plan",
    "Precondition", "PreconditionError", "Prediction", "Projection", "Recording", "RecordingState", "Refusal", "RefusalReason",
    "RefusedError", "Register", "RuleViolation", "RunningTask", "SafeStop", "Sent", "Severity", "StaleError", "State",
    "Status", "StopReason", "StoppedError", "Stream", "StretchedTask", "Strobe", "Suggestion", "Target", "Task", "TaskStatus", "Triggered", "Trim", "UnavailableError", "UnsupportedError", "Update", "View",
    "Window", "aio", "connect",
]  # fmt: skip
