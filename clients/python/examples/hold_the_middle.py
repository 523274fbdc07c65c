#!/usr/bin/env python3
"""Holds a crawler in the middle of its pipe: its lamp makes the nearer wall brighter.

It drives the virtual array in lockstep, so that it comes out the same on any machine:

    facetd --pace lockstep --scene demo:high=800,lamp=0.9,left=0.1
    PYTHONPATH=.. python3 hold_the_middle.py --seconds 3

On a real crawler the loop is the same without advance(), and set_velocity() is the drive's.
"""

from __future__ import annotations

import argparse
import sys

import facetd

#: Four chips that look to the left, and four to the right.
WALLS = ("wall-00", "wall-01", "wall-10", "wall-11", "wall-04", "wall-05", "wall-06", "wall-07")
#: Metres a second to the side, by code of difference between the walls, and at most.
GAIN, MOST = 0.0008, 0.1
STEP_NS = 20_000_000
#: Oldest light that may be acted upon.
MAX_AGE_NS = 100_000_000
#: Seconds of the host after which something is wrong.
TIMEOUT = 10.0


def steer(fs: facetd.FrameSet, now_ns: int) -> float:
    """Returns the speed to the left; 0 where what was seen says nothing."""
    seen = {f.chip: f for f in fs.frames}
    if fs.failure or fs.late or not all(chip in seen and now_ns - seen[chip].light_bus_ns <= MAX_AGE_NS for chip in WALLS):
        return 0.0
    balance = 0.0
    for i, chip in enumerate(WALLS):
        codes = seen[chip].codes
        balance += int(codes.sum()) / codes.size * (2 * (i // 4) - 1) / 4
    return max(-MOST, min(MOST, GAIN * balance))


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--address", default="127.0.0.1:7660")
    parser.add_argument("--seconds", type=float, default=3.0, help="bus time")
    args = parser.parse_args(arguments)
    me = {"participant": "hold_the_middle"}
    try:
        with facetd.connect(args.address) as client, client.stream(["wall"]) as stream:
            now_ns = int(client.call("LockstepService/JoinLockstep", me).get("limit_bus_ns", 0))
            jobs = 0
            while now_ns < args.seconds * 1e9:
                now_ns += STEP_NS
                came = client.call("LockstepService/AdvanceTime", me | {"until_bus_ns": now_ns})
                ended = next((int(t.get("jobs_ended", 0)) for t in came["tasks"] if t["task"] == "wall"), 0)
                if ended == jobs:
                    continue
                jobs = ended
                speed = steer(stream.next(TIMEOUT), now_ns)
                velocity = {"forward_m_per_s": 0.1, "left_m_per_s": speed}
                at = client.call("SceneService/SetPose", {"velocity": velocity, "at_bus_ns": now_ns})
                aside = at["pose"].get("left_m", 0.0)
                print(f"{now_ns / 1e9:.2f} s: {aside:.17g} m to the left, {speed:.17g} m/s", flush=True)
    except facetd.FacetdError as err:
        print(err, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
