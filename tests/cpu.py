"""Processor time of this process."""

from __future__ import annotations

import resource


def cpu() -> float:
    """Seconds, in the program itself and in the system for it."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime
