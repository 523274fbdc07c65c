"""What both clients have in common when they download a file of a recording."""

from __future__ import annotations

import os
import pathlib
from types import TracebackType
from typing import Any

from ._schema import new
from .errors import FacetdError, UnavailableError

#: How often a download goes on that broke off before anything more of it came, and the pause before each, in seconds.
TRIES = 5
PAUSE = 0.5


class Download:
    """One file on its way: into a file beside the one that is to be, which takes its place once it is whole. A context
    manager that leaves nothing else behind."""

    def __init__(self, file: str, to: str | os.PathLike[str]) -> None:
        self.method = "RecordService/DownloadRecording"
        self._file = file
        self._to = pathlib.Path(to)
        self._part = self._to.with_name(self._to.name + ".part")
        self._offset = 0
        self._total: int | None = None
        self._etag = ""
        self._failed = 0

    def __enter__(self) -> Download:
        self._out = open(self._part, "wb")
        return self

    def __exit__(self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None) -> None:
        self._out.close()
        if kind is None and self.whole:
            os.replace(self._part, self._to)
        else:
            self._part.unlink(missing_ok=True)

    @property
    def whole(self) -> bool:
        """Whether all of it is there."""
        return self._total is not None and self._offset == self._total

    @property
    def bytes(self) -> int:
        """How many there are."""
        return self._offset

    def request(self) -> Any:
        """Returns what asks for what is still to come."""
        return new("DownloadRecordingRequest", file=self._file, offset=self._offset, etag=self._etag)

    def take(self, piece: Any) -> None:
        """Writes what came. Errors of the file's are OSError."""
        self._out.write(piece.data)
        self._offset += len(piece.data)
        self._total, self._etag = piece.total_bytes, piece.etag
        if piece.data:
            self._failed = 0

    def ended_early(self, address: str) -> FacetdError:
        """Returns what a stream counts as that ended in good order before the file did."""
        return UnavailableError(f"the daemon at {address} ended the download of {self._file} early", "UNAVAILABLE")

    def goes_on(self, err: FacetdError) -> bool:
        """Whether to ask for the rest once more after an error."""
        self._failed += 1
        return isinstance(err, UnavailableError) and self._offset > 0 and self._failed <= TRIES
