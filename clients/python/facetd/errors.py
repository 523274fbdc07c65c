"""Errors that this client raises, all of them FacetdError."""

from __future__ import annotations

import dataclasses
from typing import Any

import grpc

from ._schema import schema
from .plan import Refusal


@dataclasses.dataclass(frozen=True)
class InvalidField:
    """One validation error of a request."""

    #: Where, as a path in the request such as ``task.views[0].binning.rows``; empty
    #: where no place can be named.
    place: str
    #: What, and how to fix it.
    message: str

    def __str__(self) -> str:
        return f"{self.place}: {self.message}" if self.place else self.message


@dataclasses.dataclass(frozen=True)
class Precondition:
    """One condition that does not hold."""

    #: Kind: ``NO_GAP``, ``DISTURBS``, or the name of a reason of a refusal.
    kind: str
    #: What it is about: a task, chips, the timetable.
    subject: str
    #: What does not hold.
    message: str


class FacetdError(Exception):
    """Anything that went wrong with the daemon; its subclasses say what to do."""

    def __init__(self, message: str, code: str = "") -> None:
        super().__init__(message)
        #: What happened, in words.
        self.message = message
        #: The gRPC code, such as "NOT_FOUND"; empty where none is behind it.
        self.code = code


class UnavailableError(FacetdError):
    """The daemon is not there, went away, or its bus is stopped. Try again later."""


class DeadlineError(FacetdError, TimeoutError):
    """No answer, or no frame set, within the time given. What was asked may have
    happened all the same."""


class InvalidError(FacetdError, ValueError):
    """The request is invalid; nothing was changed."""

    def __init__(self, message: str, code: str = "", fields: tuple[InvalidField, ...] = ()) -> None:
        super().__init__(message, code)
        #: Every validation error, with its place.
        self.fields = fields


class PreconditionError(FacetdError):
    """What was asked cannot be done as things are; nothing was changed."""

    def __init__(self, message: str, code: str = "", conditions: tuple[Precondition, ...] = ()) -> None:
        super().__init__(message, code)
        #: What does not hold.
        self.conditions = conditions


class RefusedError(PreconditionError):
    """The tasks do not fit; the running ones go on as they were."""

    def __init__(self, message: str, code: str, conditions: tuple[Precondition, ...], refusal: Refusal) -> None:
        super().__init__(message, code, conditions)
        #: Why, in numbers, and what would fit.
        self.refusal = refusal


class StoppedError(PreconditionError):
    """Somebody has stopped the array: nothing drives it until it is resumed, and its
    streams end with this error. The message says who, why and since when."""


class NotFoundError(FacetdError, LookupError):
    """There is nothing of that name."""


class ExistsError(FacetdError):
    """The name is taken."""


class ConflictError(FacetdError):
    """Something has changed since it was read, such as the tasks since the revision or the
    etag that a change names, or something else must finish first. Nothing was done: read it
    anew, and decide again."""


class AccessError(FacetdError):
    """The daemon does not know the client (UNAUTHENTICATED) or does not let it do
    this (PERMISSION_DENIED). Another token or certificate is needed."""


class ExhaustedError(FacetdError):
    """Too many streams or requests are open, or a message is larger than allowed."""


class UnsupportedError(FacetdError):
    """The daemon does not know this request: client and daemon differ in version."""


class CancelledError(FacetdError):
    """The call was cancelled, as closing the client does."""


class BadFrameError(FacetdError, ValueError):
    """A frame contradicts itself, and must not be used."""


class StaleError(FacetdError):
    """A frame set must not be acted upon: too old, of unknown age, or failed."""


class ClockError(StaleError):
    """A time lies in the future: the clocks of daemon and client do not agree, so
    that no age is known."""


_BY_CODE: dict[str, type[FacetdError]] = {
    "UNAVAILABLE": UnavailableError,
    "DEADLINE_EXCEEDED": DeadlineError,
    "INVALID_ARGUMENT": InvalidError,
    "OUT_OF_RANGE": InvalidError,
    "FAILED_PRECONDITION": PreconditionError,
    "NOT_FOUND": NotFoundError,
    "ALREADY_EXISTS": ExistsError,
    "ABORTED": ConflictError,
    "UNAUTHENTICATED": AccessError,
    "PERMISSION_DENIED": AccessError,
    "RESOURCE_EXHAUSTED": ExhaustedError,
    "UNIMPLEMENTED": UnsupportedError,
    "CANCELLED": CancelledError,
}


def from_rpc(err: Any, address: str) -> FacetdError:
    """Returns what an error of gRPC means. err is a grpc.RpcError with code(),
    details() and trailing_metadata(), of either kind of channel."""
    code, message = err.code().name, err.details() or ""
    fields: list[InvalidField] = []
    conditions: list[Precondition] = []
    refusal: Refusal | None = None
    for detail in _details(err):
        name = detail.DESCRIPTOR.full_name
        if name == "google.rpc.BadRequest":
            fields += [InvalidField(v.field, v.description) for v in detail.field_violations]
        elif name == "google.rpc.PreconditionFailure":
            conditions += [Precondition(v.type, v.subject, v.description) for v in detail.violations]
        elif name == "facetd.v1.Refusal":
            refusal = Refusal._of(detail)
    if code == "UNAVAILABLE":
        message = f"the daemon at {address} is not there, or went away: {message}"
    elif code == "DEADLINE_EXCEEDED":
        message = f"no answer from {address} in time: {message}"
    cls = _BY_CODE.get(code, FacetdError)
    if cls is PreconditionError and refusal is not None:
        return RefusedError(message, code, tuple(conditions), refusal)
    if cls is PreconditionError and any(c.kind == "SAFE_STOP" for c in conditions):
        return StoppedError(message, code, tuple(conditions))
    if cls is PreconditionError:
        return PreconditionError(message, code, tuple(conditions))
    if cls is InvalidError:
        return InvalidError(message, code, tuple(fields))
    return cls(message, code)


def _details(err: Any) -> list[Any]:
    """Returns the details that the daemon sent with a status and that we know."""
    found = []
    for key, value in err.trailing_metadata() or ():
        if key != "grpc-status-details-bin":
            continue
        status = schema.message("google.rpc.Status")()
        try:
            status.ParseFromString(value)
            for packed in status.details:
                try:
                    cls = schema.message(packed.type_url.rpartition("/")[2])
                except KeyError:
                    continue  # from a newer daemon
                detail = cls()
                detail.ParseFromString(packed.value)
                found.append(detail)
        except Exception:  # DecodeError: its place differs between versions of protobuf
            return found  # the code and the message still say what happened
    return found


def retryable(err: Any) -> bool:
    """Whether a broken stream may come back by itself."""
    return err.code() in (grpc.StatusCode.UNAVAILABLE, grpc.StatusCode.RESOURCE_EXHAUSTED, grpc.StatusCode.ABORTED)
