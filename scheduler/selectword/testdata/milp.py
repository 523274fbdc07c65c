"""Minimum covers and partitions by integer programming, for the test beside it.

Reads {"instances": [{"wires": [mask, ...], "lines": m, "target": [...], "once": bool}, ...],
"seconds": limit} and writes one {"optimum": n or null, "seconds": s} each. Words are found by
trying all 2^m of them, so this shares nothing with the Go code but the definition of a reach.
"""
import json
import sys
import time

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csc_matrix


def reaches(wires, lines, target):
    """All distinct non-empty reaches inside the target, as 0/1 rows over the target."""
    words = np.arange(1 << lines, dtype=np.int64)
    inside = set(target)
    ok = np.ones(len(words), dtype=bool)
    for chip, wire in enumerate(wires):
        if chip not in inside:
            ok &= (words & wire) != wire
    words = words[ok]
    rows = np.stack([(words & wires[chip]) == wires[chip] for chip in target], axis=1)
    rows = np.unique(rows, axis=0)
    return rows[rows.any(axis=1)]


def solve(instance, limit):
    rows = reaches(instance["wires"], instance["lines"], instance["target"]).astype(float)
    n = len(rows)
    high = 1 if instance["once"] else np.inf
    constraint = LinearConstraint(csc_matrix(rows.T), np.ones(rows.shape[1]), np.full(rows.shape[1], high))
    result = milp(np.ones(n), constraints=constraint, integrality=np.ones(n), bounds=Bounds(0, 1),
                  options={"mip_rel_gap": 0, "time_limit": limit})
    return round(result.fun) if result.status == 0 else None


def main():
    request = json.load(sys.stdin)
    answers = []
    for instance in request["instances"]:
        start = time.perf_counter()
        optimum = solve(instance, request["seconds"])
        answers.append({"optimum": optimum, "seconds": time.perf_counter() - start})
    json.dump(answers, sys.stdout)


main()
