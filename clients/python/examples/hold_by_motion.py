#!/usr/bin/env python3
"""Drives a crawler down the middle of its pipe and stops before the end wall, by motion alone.

What passes faster is nearer, and what grows is ahead. In lockstep with the virtual array it comes out the same on any
machine; the guide says how to begin. Nothing here is proved: let bumpers keep a real crawler safe.
"""

from __future__ import annotations

import argparse
import sys

import facetd

#: Metres a second ahead, aside by relative difference of nearness, and aside at most.
AHEAD, GAIN, MOST = 0.2, 0.6, 0.1
#: By which part a second what is ahead grows before it stops; how often the loop runs; how old light ahead may be.
GROWN, STEP_NS, MAX_AGE_NS = 0.6, 20_000_000, 350_000_000
#: 1 for chips that look to the left, and -1 for those that look to the right.
SIDES = {"wall-00": 1, "wall-01": 1, "wall-10": 1, "wall-11": 1, "wall-04": -1, "wall-05": -1, "wall-06": -1, "wall-07": -1}
#: Seconds of the host after which something is wrong.
TIMEOUT = 60.0


def steer(body: facetd.BodyMotion | None) -> float:
    """Returns the speed to the left; next to none where next to nothing passes by."""
    difference = total = 0.0
    for c in body.chips.values() if body else ():
        if c.chip in SIDES and c.nearness_per_s is not None:
            difference, total = difference + SIDES[c.chip] * c.nearness_per_s, total + c.nearness_per_s
    return max(-MOST, min(MOST, -GAIN * difference / max(total, 0.5)))


def drive(client: facetd.Client, seconds: float) -> None:
    me = {"participant": "hold_by_motion"}
    with client.motion(["wall", "comb"]) as motion:
        now_ns = int(client.call("LockstepService/JoinLockstep", me).get("limit_bus_ns", 0))
        jobs, ended, left, growth, seen_ns = 0, 0, 0.0, 0.0, 0
        while now_ns < seconds * 1e9:
            for _ in range(ended - jobs):
                e = motion.next(TIMEOUT)
                if e.task == "wall":
                    left = steer(e.body)
                elif e.chips[0].expansion_per_s is not None:
                    growth, seen_ns = max(growth, e.chips[0].expansion_per_s), e.release_bus_ns
            jobs = ended
            velocity = {"forward_m_per_s": AHEAD, "left_m_per_s": left}
            if growth > GROWN or now_ns - seen_ns > MAX_AGE_NS:
                velocity, growth = {}, 2 * GROWN  # for good: who stands still sees nothing that says more
            at = client.call("SceneService/SetPose", {"velocity": velocity, "at_bus_ns": now_ns})["pose"]
            print(f"{now_ns / 1e9:.2f} s: {at.get('forward_m', 0):.17g} m ahead, {at.get('left_m', 0):.17g} m left")
            now_ns += STEP_NS
            came = client.call("LockstepService/AdvanceTime", me | {"until_bus_ns": now_ns}, timeout=TIMEOUT)
            ended = sum(int(t.get("jobs_ended", 0)) for t in came["tasks"] if t["task"] in ("wall", "comb"))


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--address", default="127.0.0.1:7660")
    parser.add_argument("--seconds", type=float, default=7.0, help="bus time")
    args = parser.parse_args(arguments)
    try:
        with facetd.connect(args.address) as client:
            drive(client, args.seconds)
    except facetd.FacetdError as err:
        print(err, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
