"""numba's compiler, with a cache that several processes may fill at once.

For each function numba keeps an index of the variants that are compiled. To add one it reads the index, takes the
first file name that is free, and writes the index back: two processes that do so at once give both their variants the
same name, and from then on one of them runs the other's code. Here one process at a time does all of it.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

from numba import njit, prange
from numba.core.caching import IndexDataCacheFile

try:
    import fcntl
except ImportError:  # not on Windows, where the cache stays as numba has it
    fcntl = None  # type: ignore[assignment]

__all__ = ["njit", "prange"]


def _one_at_a_time(save: Callable[..., None]) -> Callable[..., None]:
    @functools.wraps(save)
    def locked(cache: Any, key: Any, data: Any) -> None:
        with (Path(cache._cache_path) / "lock").open("a") as lock:
            with contextlib.suppress(OSError):  # some network file systems have no locks
                fcntl.flock(lock, fcntl.LOCK_EX)
            save(cache, key, data)

    return locked


if fcntl is not None:
    IndexDataCacheFile.save = _one_at_a_time(IndexDataCacheFile.save)  # type: ignore[method-assign]
