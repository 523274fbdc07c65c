#!/usr/bin/env python3
"""Closes a loop: lets a crawler drive while the bed below it is bright enough, and stops
it when the bed gets dark, when frames are stale, and when none come.

    PYTHONPATH=.. python3 stop_in_the_dark.py --dark-volts 1.0

Take care. This shows how to guard a loop; it is not a safety function. A stop that
protects people belongs in hardware made for it, and what is safe when frames fail (stop,
hold, retreat) depends on the machine: a risk assessment, local codes and qualified people
decide that. The drive itself must stop by itself when it is not told to go on: here each
"go" is good for one period only. Thresholds are the demo's; measure your own.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import time
from collections.abc import Callable

import facetd


@dataclasses.dataclass(frozen=True)
class Limits:
    """When to stop."""

    #: The crawler stops when the bed's mean signal is below this.
    dark_volts: float
    #: It goes again only above this, so that it does not stutter at the threshold.
    bright_volts: float
    #: Oldest light in seconds that may be acted upon.
    max_age: float = 0.15
    #: Frame sets in a row that must be good before it goes.
    needed: int = 3


class Guard:
    """Decides from frame sets whether to drive. It begins with no, and every doubt is a no."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.going = False
        self.why = "nothing seen yet"
        self._good = 0

    def stop(self, why: str) -> bool:
        """Stops for a reason from outside, such as silence."""
        self.going, self.why, self._good = False, why, 0
        return False

    def see(self, fs: facetd.FrameSet) -> bool:
        """Looks at a frame set; returns whether to drive."""
        try:
            fs.check_fresh(self.limits.max_age)
        except facetd.StaleError as err:
            return self.stop(str(err))
        if fs.late:
            return self.stop(f"job {fs.job} was late")
        if fs.gap and (fs.gap.restarted or fs.gap.replaced):
            return self.stop("the daemon was started again" if fs.gap.restarted else "the task is another one")
        # The darkest chip decides: one that fails dark must not be outvoted.
        chip, volts = min(((f.chip, float(f.volts.mean())) for f in fs.frames), key=lambda cv: cv[1])
        limit = self.limits.dark_volts if self.going else self.limits.bright_volts
        if not volts >= limit:
            return self.stop(f"dark at {chip}: {volts:.3f} V")
        self._good += 1
        if self._good >= self.limits.needed:
            self.going, self.why = True, f"bright: {volts:.3f} V"
        return self.going


def loop(client: facetd.Client, task: str, limits: Limits, drive: Callable[[bool, str], None], seconds: float) -> None:
    """Tells drive again and again whether to go, until the time is over; the last word is
    no. The newest set of the task is looked at each time ("latest")."""
    guard = Guard(limits)
    end = time.monotonic() + seconds
    try:
        with client.stream([task], overflow="latest") as stream:
            while time.monotonic() < end:
                try:
                    fs = stream.next(timeout=limits.max_age)
                except facetd.DeadlineError:
                    drive(guard.stop("no frames" if stream.connected else f"no connection: {stream.last_error}"), guard.why)
                    continue
                drive(guard.see(fs), guard.why)
    finally:
        drive(False, "the loop ended")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--address", default="127.0.0.1:7660")
    parser.add_argument("--task", default="bed")
    parser.add_argument("--dark-volts", type=float, default=1.0)
    parser.add_argument("--hysteresis-volts", type=float, default=0.03)
    parser.add_argument("--max-age", type=float, default=0.15, help="seconds")
    parser.add_argument("--seconds", type=float, default=10.0)
    args = parser.parse_args(arguments)
    limits = Limits(args.dark_volts, args.dark_volts + args.hysteresis_volts, args.max_age)
    told: list[bool] = []

    def drive(go: bool, why: str) -> None:
        if not told or told[-1] != go:
            print(f"{'GO  ' if go else 'STOP'} {why}", flush=True)
        told.append(go)

    try:
        with facetd.connect(args.address) as client:
            loop(client, args.task, limits, drive, args.seconds)
    except facetd.FacetdError as err:
        print(err, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
