#!/usr/bin/env python3
"""Saves frame sets as .npz files, one a set, with the codes and all times of each frame.

    PYTHONPATH=.. python3 save_frames.py --task bed --count 20 --out frames

Load one with numpy: f = numpy.load("frames/bed-000123.npz"); f["bed-0.bed"] are the codes
of chip bed-0, view bed; f["meta"] is JSON with times, hold, corrections.
"""

from __future__ import annotations

import argparse
import json
import os
import pathlib
import re
import sys

import numpy as np

import facetd


def meta(fs: facetd.FrameSet) -> dict[str, object]:
    """Returns what there is to know of a set beside its codes."""
    return {
        "task": fs.task,
        "job": fs.job,
        "release_bus_ns": fs.release_bus_ns,
        "finish_bus_ns": fs.finish_bus_ns,
        "skew_ns": fs.skew_ns,
        "late": fs.late,
        "failure": fs.failure,
        "missing_jobs": len(fs.gap.missing_jobs) if fs.gap and fs.gap.missing_jobs is not None else 0,
        "frames": [
            {
                "chip": f.chip,
                "view": f.view,
                "light_bus_ns": f.light_bus_ns,
                "light_time_ns": f.light_time_ns if f.has_time else None,
                "time_uncertainty_ns": f.time_uncertainty_ns,
                "hold_ns": f.hold_ns,
                "significant_bits": f.significant_bits,
                "code_zero_volts": f.code_zero_volts,
                "volts_per_code": f.volts_per_code,
                "corrections": [c.name for c in f.corrections],
                "correction_map_id": f.correction_map_id,
                "note": f.note,
            }
            for f in fs.frames
        ],
    }


def save(fs: facetd.FrameSet, folder: pathlib.Path) -> pathlib.Path:
    """Writes a set whole or not at all; returns the name of the file."""
    # Names come from the daemon: nothing of them may lead out of the folder.
    name = folder / f"{re.sub(r'[^A-Za-z0-9_-]', '_', fs.task)}-{fs.job:06d}.npz"
    arrays = {f"{f.chip}.{f.view}": f.codes for f in fs.frames}
    partial = name.with_suffix(".part")
    with partial.open("wb") as out:
        np.savez_compressed(out, meta=np.array(json.dumps(meta(fs))), **arrays)
    os.replace(partial, name)
    return name


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--address", default="127.0.0.1:7660")
    parser.add_argument("--task", action="append", default=[], help="may be repeated (default all)")
    parser.add_argument("--count", type=int, default=10, help="frame sets to save")
    parser.add_argument("--corrected", action="store_true", help="corrected codes where there is a calibration")
    parser.add_argument("--out", type=pathlib.Path, default=pathlib.Path("frames"))
    args = parser.parse_args(arguments)
    args.out.mkdir(parents=True, exist_ok=True)
    try:
        with facetd.connect(args.address) as client:
            # A queue: no set is skipped while the disk keeps up.
            with client.stream(args.task, corrected=args.corrected, overflow="queue", queue_length=64) as stream:
                for saved, fs in enumerate(stream, 1):
                    if fs.gap:
                        print(f"lost before job {fs.job} of {fs.task}: {fs.gap}", file=sys.stderr)
                    print(save(fs, args.out))
                    if saved == args.count:
                        break
    except facetd.FacetdError as err:
        print(err, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
