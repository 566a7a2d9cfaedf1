"""What memory (ulimit -v, ulimit -d) and threads a limit leaves, against what the libraries need to be loaded at all.

Below that they don't say so: OpenBLAS waits without end for memory for its threads, libgomp and LLVM end the process.
"""

from __future__ import annotations

import os

from pipeline.meter import cores

# Bytes. Measured on runs of the smallest scans, a report with its pictures included, at limits from 150 MB on, with 1,
# 2 and 8 threads: from these on a run goes through or says that it is out of memory. Threads are those of numba and of
# OpenBLAS; each takes a stack and a heap of address space, and next to nothing of data.
_ADDRESSES, _ADDRESSES_A_THREAD = 1.1e9, 1.3e8
_DATA, _DATA_A_THREAD = 6e8, 1e7
_OWN_THREADS = "NUMBA_NUM_THREADS"
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", _OWN_THREADS)


def lacking() -> str | None:
    """The sentence for a limit that leaves too little, or None.

    >>> lacking() is None
    True
    """
    told = os.environ.get(_OWN_THREADS, "")
    if told.removeprefix("-").isdecimal() and int(told) < 1:
        return f"{_OWN_THREADS} leaves this program {int(told)} threads; set it to 1 or more, or take it away."
    try:
        import resource
    except ImportError:  # no such limits on this system
        return None
    threads = _threads()
    for limit, what, option, needed in (
        (resource.RLIMIT_AS, "address space", "v", _ADDRESSES + _ADDRESSES_A_THREAD * threads),
        (resource.RLIMIT_DATA, "data", "d", _DATA + _DATA_A_THREAD * threads),
    ):
        there = resource.getrlimit(limit)[0]
        if there != resource.RLIM_INFINITY and there < needed:
            fewer = f", or fewer threads ({', '.join(_THREADS)})" if threads > 1 and option == "v" else ""
            return (
                f"a limit leaves this program {there / 1e6:.0f} MB of {what}, and its libraries need "
                f"{needed / 1e6:.0f} MB with {threads} thread{'s' * (threads > 1)}; set a higher one "
                f"(ulimit -{option}){fewer}."
            )
    return None


def _threads() -> int:
    """How many threads the libraries start: one a core, unless each of them is told otherwise."""
    told = [os.environ.get(name, "") for name in _THREADS]
    return max(int(each) if each.isdecimal() else cores() for each in told)
