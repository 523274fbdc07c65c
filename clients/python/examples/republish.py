#!/usr/bin/env python3
"""Hands frames on to a robotics middleware.

The node knows no middleware: it is given a function that makes an image message of a
frame and one that publishes it on a topic, which are a few lines in any of them. Run by
itself it prints what it would publish:

    PYTHONPATH=.. python3 republish.py --seconds 2

Consumers must still judge the age of what they get: each image carries the time of its
light, not of its sending, and how far that may be off.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

import facetd

M = TypeVar("M")


@dataclasses.dataclass(frozen=True)
class Image:
    """What image messages of most middlewares have in common."""

    #: Name of the coordinate frame: the chip.
    frame_id: str
    #: When the light was sampled, since 1970 (UTC): whole seconds and the rest.
    stamp_s: int
    stamp_ns: int
    rows: int
    columns: int
    #: Bytes from one row to the next.
    row_bytes: int
    #: Unsigned 16 bits, least significant byte first; significant_bits carry signal.
    encoding: str
    significant_bits: int
    data: bytes


def image_of(frame: facetd.Frame) -> Image:
    """Returns the image of a frame, with the time of its light."""
    seconds, ns = divmod(frame.light_time_ns, 10**9)
    rows, columns = frame.shape
    return Image(frame.chip, seconds, ns, rows, columns, 2 * columns, "mono16", frame.significant_bits, frame.codes.tobytes())


@dataclasses.dataclass
class Counts:
    """What a node did, for its diagnostics."""

    published: int = 0
    stale: int = 0
    #: Jobs that never came.
    missing: int = 0
    silences: int = 0


class Node(Generic[M]):
    """Publishes each frame on the topic PREFIX/TASK/CHIP/VIEW.

    make turns an Image into a message of the middleware, publish sends it; both are
    called on the thread that runs the node. Frame sets older than max_age seconds are
    counted and left out: nobody shall act on them.
    """

    def __init__(
        self,
        client: facetd.Client,
        make: Callable[[Image], M],
        publish: Callable[[str, M], None],
        *,
        tasks: tuple[str, ...] = (),
        prefix: str = "facetd",
        max_age: float = 0.2,
        silence: float = 1.0,
        max_rate_hz: float = 0.0,
    ) -> None:
        self._make, self._publish, self._prefix = make, publish, prefix
        self._max_age, self._silence = max_age, silence
        self._stream = client.stream(tasks, overflow="latest", max_rate_hz=max_rate_hz)
        self.counts = Counts()

    def spin_once(self) -> bool:
        """Waits for a frame set and publishes it; returns whether it did."""
        try:
            fs = self._stream.next(self._silence)
        except facetd.DeadlineError:
            self.counts.silences += 1
            return False
        if fs.gap and fs.gap.missing_jobs is not None:
            self.counts.missing += len(fs.gap.missing_jobs)
        if fs.is_stale(self._max_age):
            self.counts.stale += 1
            return False
        for frame in fs.frames:
            topic = "/".join((self._prefix, fs.task, frame.chip, frame.view))
            self._publish(topic, self._make(image_of(frame)))
            self.counts.published += 1
        return True

    def spin(self, ended: Callable[[], bool]) -> None:
        """Publishes until ended says so."""
        while not ended():
            self.spin_once()

    def close(self) -> None:
        """Ends the stream."""
        self._stream.close()


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--address", default="127.0.0.1:7660")
    parser.add_argument("--task", action="append", default=[])
    parser.add_argument("--seconds", type=float, default=5.0)
    args = parser.parse_args(arguments)
    over = threading.Event()
    timer = threading.Timer(args.seconds, over.set)
    timer.daemon = True
    try:
        with facetd.connect(args.address) as client:
            node: Node[Image] = Node(
                client,
                lambda image: image,
                lambda topic, m: print(f"{topic} {m.stamp_s}.{m.stamp_ns:09d} {m.rows}x{m.columns} {m.encoding}"),
                tasks=tuple(args.task),
            )
            timer.start()
            node.spin(over.is_set)
            print(node.counts, file=sys.stderr)
    except facetd.FacetdError as err:
        print(err, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
