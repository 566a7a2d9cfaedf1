"""Time and peak memory of one stage, and how many cores there are for it."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from pathlib import Path

_STATUS = Path("/proc/self/status")
_CLEAR = Path("/proc/self/clear_refs")


def cores() -> int:
    """How many processor cores this process may use.

    >>> cores() >= 1
    True
    """
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Meter:
    """Started when made; `seconds` and `peak_mb` read it.

    Linux keeps a high-water mark of resident memory that can be set back, so each stage has its own
    peak; elsewhere the mark is that of the whole process so far.
    """

    def __init__(self) -> None:
        self._start = time.perf_counter()
        with contextlib.suppress(OSError):
            _CLEAR.write_text("5")

    @property
    def seconds(self) -> float:
        return time.perf_counter() - self._start

    @property
    def peak_mb(self) -> float | None:
        """MB (10^6 bytes) of resident memory at the highest; None where the system does not tell."""
        try:
            for line in _STATUS.read_text().splitlines():
                if line.startswith("VmHWM:"):
                    return int(line.split()[1]) * 1024 / 1e6
        except OSError:
            pass
        try:
            import resource
        except ImportError:
            return None
        unit = 1 if sys.platform == "darwin" else 1024
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6
