"""Which boot of which machine this program runs on."""

from __future__ import annotations


def _read() -> str:
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as f:
            return f.read().strip()
    except (OSError, ValueError):
        return ""  # not Linux: no clock is known to be shared


#: Programs with the same share their monotonic clock. Empty where it is not known.
BOOT = _read()
