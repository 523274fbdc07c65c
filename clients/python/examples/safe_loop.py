#!/usr/bin/env python3
"""Steers by the newest frame sets of a task, and halts whenever what it sees cannot be
trusted: old, late, failed or clipped frames, another run of the daemon, or none at all.

    PYTHONPATH=.. python3 safe_loop.py --task wall

Take care: it shows how to guard a loop and is no safety function. What is safe when frames
fail is for a risk assessment of the machine and qualified people to say.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable

import facetd

#: The oldest light that may be acted on, and how long without a frame set it goes on; seconds.
MAX_AGE, SILENCE = 0.15, 0.25


def doubt(fs: facetd.FrameSet) -> str:
    """Returns why a frame set must not be acted on; empty where it may be."""
    if fs.failure:
        return f"failed: {fs.failure}"
    if fs.late:
        return "late"
    if fs.is_stale(MAX_AGE):
        return "old"
    if fs.gap and (fs.gap.restarted or fs.gap.replaced):
        return "another daemon or task: forget what was seen before"
    for frame in fs.frames:
        if frame.clipped_low + frame.clipped_high > frame.codes.size / 10:
            return f"clipped: {frame.chip}"
    return ""


def loop(client: facetd.Client, task: str, sets: int, tell: Callable[[str], None]) -> None:
    """Ends after so many frame sets, or with the error for which there will be no more."""
    try:
        with client.stream(tasks=[task]) as stream:
            while sets > 0:
                try:
                    fs = stream.next(timeout=SILENCE)  # the newest there is
                except facetd.DeadlineError:
                    tell("HALT no frames")
                    continue
                sets -= 1
                why = doubt(fs)
                tell(f"HALT {why}" if why else "GO")
    finally:
        tell("HALT the loop ended")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--address", default="127.0.0.1:7660")
    parser.add_argument("--task", default="wall")
    parser.add_argument("--sets", type=int, default=100, help="frame sets to see")
    args = parser.parse_args()
    told = [""]

    def tell(what: str) -> None:  # stands for the machine's drive
        if told[0] != what:
            told[0] = what
            print(what, flush=True)

    try:
        with facetd.connect(args.address) as client:
            loop(client, args.task, args.sets, tell)
    except facetd.FacetdError as err:
        print(err, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
