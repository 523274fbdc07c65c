"""The calls that both clients make: method, request, and what becomes of the answer."""

from __future__ import annotations

import dataclasses
import uuid
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Generic, TypeVar

from google.protobuf import json_format

from ._schema import new, schema
from .array import Array
from .clock import Clock
from .enums import EventKind, Register, Severity, Strobe
from .events import Event, Recording, SafeStop, Sent, Status
from .frames import Capture, CaptureWait, FrameSet
from .plan import Plan
from .task import Applied, Parameters, ParametersSet, RunningTask, Target, Task, Triggered, View, target_message, _duration

T = TypeVar("T")

#: Most events in one answer.
MAX_EVENTS = 1000


@dataclasses.dataclass(frozen=True)
class Call(Generic[T]):
    """One call that is not a stream. A request that can have an id has one of its own, so that the daemon does it
    once, however often it is sent."""

    method: str
    request: Any
    convert: Callable[[Any], T]

    def __post_init__(self) -> None:
        if "request_id" in self.request.DESCRIPTOR.fields_by_name and not self.request.request_id:
            self.request.request_id = uuid.uuid4().hex


def path(method: Any) -> str:
    """Returns what gRPC calls a method, from its descriptor."""
    return f"/{method.containing_service.full_name}/{method.name}"


def array() -> Call[Array]:
    return Call("ArrayService/GetArray", new("GetArrayRequest"), Array._of)


def status() -> Call[Status]:
    return Call("StatusService/GetStatus", new("GetStatusRequest"), lambda r: Status._of(r.status))


def clock(known: Clock) -> Call[None]:
    sent = known.now()
    return Call("StatusService/GetClock", new("GetClockRequest"), lambda r: known._answered(sent, r))


def tasks() -> Call[dict[str, RunningTask]]:
    return Call("TaskService/ListTasks", new("ListTasksRequest", page_size=1000), lambda r: {t.task.name: RunningTask._of(t) for t in r.tasks})


def task(name: str) -> Call[RunningTask]:
    return Call("TaskService/GetTask", new("GetTaskRequest", name=name), lambda r: RunningTask._of(r.task))


def add_task(t: Task) -> Call[RunningTask]:
    request = new("CreateTaskRequest", task=t._message())
    return Call("TaskService/CreateTask", request, lambda r: RunningTask._of(r.task, r.effective_bus_ns))


def change_task(t: Task) -> Call[RunningTask]:
    request = new("UpdateTaskRequest", task=t._message())
    return Call("TaskService/UpdateTask", request, lambda r: RunningTask._of(r.task, r.effective_bus_ns))


def remove_task(name: str) -> Call[int]:
    return Call("TaskService/DeleteTask", new("DeleteTaskRequest", name=name), lambda r: int(r.effective_bus_ns))


def set_parameters(task: str, views: Sequence[Parameters]) -> Call[ParametersSet]:
    request = new("SetTaskParametersRequest", task=task, views=[v._message() for v in views])
    return Call("TaskService/SetTaskParameters", request, ParametersSet._of)


def trigger(task: str, request_id: str) -> Call[Triggered]:
    request = new("TriggerTaskRequest", task=task, request_id=request_id)
    return Call("TaskService/TriggerTask", request, Triggered._of)


def stop(reason: str) -> Call[SafeStop]:
    return Call("SafeStopService/StopArray", new("StopArrayRequest", reason=reason), lambda r: SafeStop._of(r.safe_stop))


def resume(revision: int) -> Call[int]:
    request = new("ResumeArrayRequest", revision=revision)
    return Call("SafeStopService/ResumeArray", request, lambda r: int(r.effective_bus_ns))


def plan() -> Call[Plan]:
    return Call("PlanService/GetPlan", new("GetPlanRequest"), lambda r: Plan._of(r.plan))


def preview_plan(changes: Any) -> Call[Plan]:
    return Call("PlanService/PreviewPlan", new("PreviewPlanRequest", changes=changes), lambda r: Plan._of(r.plan))


def apply_tasks(changes: Any, request_id: str) -> Call[Applied]:
    request = new("ApplyTasksRequest", changes=changes, request_id=request_id)
    return Call("TaskService/ApplyTasks", request, Applied._of)


def capture(target: Target, views: Sequence[View], codes: int) -> Call[Capture]:
    request = new(
        "CaptureFramesRequest", target=target_message(target), views=[v._message() for v in views], codes=codes
    )
    return Call("FrameService/CaptureFrames", request, _captured)


def _captured(r: Any) -> Capture:
    return Capture(FrameSet.of(r.frame_set, host_boot_id=r.identity.host_boot_id), r.waited_ns)


def preview_capture(target: Target, views: Sequence[View]) -> Call[CaptureWait]:
    request = new("PreviewCaptureRequest", target=target_message(target), views=[v._message() for v in views])
    return Call("FrameService/PreviewCapture", request, CaptureWait._of)


def write_register(target: Target, register: Register, value: int) -> Call[Sent]:
    write = new("RegisterWrite", register=int(register), value=value)
    return _send(new("Command", target=target_message(target), write=write))


def strobe(target: Target, kind: Strobe) -> Call[Sent]:
    return _send(new("Command", target=target_message(target), strobe=int(kind)))


def _send(command: Any) -> Call[Sent]:
    return Call("CommandService/SendCommand", new("SendCommandRequest", command=command), Sent._of)


def event_filter(min_severity: Severity, kinds: Sequence[EventKind], task: str) -> Any:
    return new("EventFilter", min_severity=int(min_severity), kinds=[int(k) for k in kinds], task=task)


def _position(after: Event | int | None) -> dict[str, Any]:
    if isinstance(after, Event):
        return {"after_sequence": after.sequence, "journal_id": after.journal}
    if after:
        raise ValueError(f"after={after}: give the event itself, or 0 for all; a number alone does not say of which journal it is")
    return {"after_sequence": after}


def events(after: Event | int | None, limit: int, chosen: Any) -> Call[list[Event]]:
    if not 1 <= limit <= MAX_EVENTS:
        raise ValueError(f"limit {limit}: give 1 to {MAX_EVENTS}")
    request = new("ListEventsRequest", **_position(after), page_size=limit, filter=chosen)
    return Call("EventService/ListEvents", request, lambda r: [Event._of(e, 0, r.journal_id) for e in r.events])


def start_recording(
    name: str, tasks: Sequence[str], images: bool, motion: bool, max_bytes: int, max_duration_ns: int | None
) -> Call[Recording]:
    options = new("RecordingOptions", tasks=tasks, images=images, motion=motion, max_bytes=max_bytes, max_duration=_duration(max_duration_ns))
    request = new("StartRecordingRequest", name=name, options=options)
    return Call("RecordService/StartRecording", request, lambda r: Recording._of(r.recording))


def stop_recording(name: str) -> Call[Recording]:
    return Call("RecordService/StopRecording", new("StopRecordingRequest", name=name), lambda r: Recording._of(r.recording))


def recording(name: str) -> Call[Recording]:
    return Call("RecordService/GetRecording", new("GetRecordingRequest", name=name), lambda r: Recording._of(r.recording))


def recordings() -> Call[Any]:
    """All pages are asked for one after another: convert gives the recordings of one, and the token of the next."""
    return Call("RecordService/ListRecordings", new("ListRecordingsRequest"), lambda r: ([Recording._of(x) for x in r.recordings], r.next_page_token))


def delete_recording(name: str) -> Call[Recording]:
    return Call("RecordService/DeleteRecording", new("DeleteRecordingRequest", name=name), lambda r: Recording._of(r.recording))


def any_call(method: str, request: Mapping[str, Any]) -> Call[dict[str, Any]]:
    """A call of any method that is not a stream, in the JSON form of the schema."""
    try:
        found = schema.method(method)
    except KeyError:
        raise ValueError(f"there is no method {method!r}; give for instance SceneService/SetScene") from None
    if kind(method) != "unary_unary" or getattr(found, "server_streaming", None) or getattr(found, "client_streaming", None):
        raise ValueError(f"{method} is a stream")
    try:
        message = json_format.ParseDict(dict(request), schema.message(found.input_type.full_name)())
    except json_format.ParseError as err:
        raise ValueError(f"{method}: {err}") from None
    return Call(method, message, lambda r: dict(json_format.MessageToDict(r, preserving_proto_field_name=True)))


#: Methods that answer with a stream, and how gRPC calls their kind; descriptors of older
#: versions of protobuf do not say.
STREAMS = {
    "FrameService/FollowFrameSets": "stream_stream",
    "EventService/StreamEvents": "unary_stream",
    "MotionService/StreamMotion": "stream_stream",
    "StatusService/WatchStatus": "unary_stream",
    "RecordService/DownloadRecording": "unary_stream",
}


def kind(method: str) -> str:
    """Returns how gRPC calls the kind of a method."""
    return STREAMS.get(method, "unary_unary")


def watch_events(after: Event | int | None, chosen: Any) -> Call[Event]:
    """The stream of events; convert is for each message."""
    request = new("StreamEventsRequest", **_position(after), filter=chosen)
    return Call("EventService/StreamEvents", request, lambda r: Event._of(r.event, r.dropped + r.missed, r.journal_id))
