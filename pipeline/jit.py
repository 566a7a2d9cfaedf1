"""numba's compiler, with a cache that several processes may fill at once, and no variants for constants.

For each function numba keeps an index of the variants that are compiled. To add one it reads the index, takes the
first file name that is free, and writes the index back: two processes that do so at once give both their variants the
same name, and from then on one of them runs the other's code. Here one process at a time does all of it.

A kernel that another one calls with a constant is compiled by numba once more, for an argument whose type is that
constant. The code is the same but for the name, so here the constant is passed as what it is: a number.

A kernel that calls a parallel one needs what numba sets up when its threads are started. A parallel kernel that is
taken from the cache sees to that itself, its callers don't: taken from the cache first, they would crash.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
from numba import prange, types
from numba.core.caching import IndexDataCacheFile
from numba.np.ufunc.parallel import _launch_threads

try:
    import fcntl
except ImportError:  # not on Windows, where the cache stays as numba has it
    fcntl = None  # type: ignore[assignment]

__all__ = ["njit", "prange"]


def njit(*, borrowing: bool = False, **options: Any) -> Callable[[Callable[..., Any]], Any]:
    """numba's decorator of this name, with its options as keywords.

    borrowing  for a kernel that makes no arrays, gives none back, and calls none that does: all that it works on is
               held by its caller, so it doesn't count who holds an array each time it looks at one

    numba counts with operations that a processor does one after another; small kernels took most of their time for it.
    """
    # Told in either case, since a kernel takes from its callers what it isn't told.
    decorate: Any = numba.njit(**options | {"_nrt": not borrowing})

    def kernel(function: Callable[..., Any]) -> Any:
        dispatcher = decorate(function)
        resolve = dispatcher.get_call_template

        def without_constants(args: Any, keywords: dict[str, Any]) -> Any:
            plain = {name: types.unliteral(value) for name, value in keywords.items()}
            return resolve(tuple(types.unliteral(value) for value in args), plain)

        dispatcher.get_call_template = without_constants
        return dispatcher

    return kernel


def _one_at_a_time(save: Callable[..., None]) -> Callable[..., None]:
    @functools.wraps(save)
    def locked(cache: Any, key: Any, data: Any) -> None:
        with (Path(cache._cache_path) / "lock").open("a") as lock:
            with contextlib.suppress(OSError):  # some network file systems have no locks
                fcntl.flock(lock, fcntl.LOCK_EX)
            save(cache, key, data)

    return locked


def _after_the_threads(load: Callable[..., Any]) -> Callable[..., Any]:
    @functools.wraps(load)
    def ready(cache: Any, key: Any) -> Any:
        _launch_threads()
        return load(cache, key)

    return ready


IndexDataCacheFile.load = _after_the_threads(IndexDataCacheFile.load)  # type: ignore[method-assign]
if fcntl is not None:
    IndexDataCacheFile.save = _one_at_a_time(IndexDataCacheFile.save)  # type: ignore[method-assign]
