"""Which boot of which machine this program runs on."""

from __future__ import annotations

import os


def _read() -> str:
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as f:
            boot = f.read().strip()
    except (OSError, ValueError):
        return ""  # not Linux: no clock is known to be shared
    try:
        return f"{boot} {os.readlink('/proc/self/ns/time')}"
    except OSError:
        return boot  # a kernel without time namespaces: all share one


#: Programs with the same share their monotonic clock. Empty where it is not known.
BOOT = _read()
