"""Signals that ask the program to end, held back where they would be taken for something else."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator


@contextlib.contextmanager
def held_back() -> Iterator[None]:
    """Raise what SIGINT and SIGTERM raise after the block instead of within it.

    A library that is loaded in C makes an import error of whatever comes up in it, and a stage that can do without that
    library would go on.

    >>> import signal
    >>> before = signal.signal(signal.SIGTERM, lambda *_: print("stopped"))
    >>> with held_back():
    ...     signal.raise_signal(signal.SIGTERM)
    ...     print("loaded")
    loaded
    stopped
    >>> _ = signal.signal(signal.SIGTERM, before)
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    told: list[int] = []
    kept = {
        number: signal.signal(number, lambda given, _: told.append(given)) for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)
        if told:
            signal.raise_signal(told[0])
