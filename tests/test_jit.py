"""Processes that compile variants of one kernel at the same time leave a cache that holds them all."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np
import pytest

from pipeline.jit import njit

KERNEL = "from pipeline.jit import njit\n@njit(cache=True)\ndef twice(x):\n    return x + x\n"
# Both processes read the index before either writes it.
SLOW = (
    "import sys, time\n"
    "from numba.core.caching import IndexDataCacheFile as File\n"
    "read = File._load_index\n"
    "def slowly(cache):\n    index = read(cache)\n    time.sleep(1.5)\n    return index\n"
    "if len(sys.argv) > 1: File._load_index = slowly\n"
    "from kernel import twice\n"
)


def _start(folder: Path, calls: str, *arguments: str) -> subprocess.Popen[str]:
    root = str(Path(__file__).parent.parent)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), root])}
    environment["NUMBA_CACHE_DIR"] = str(folder / "cache")
    return subprocess.Popen(
        [sys.executable, "-c", SLOW + calls, *arguments], env=environment, stdout=subprocess.PIPE, text=True
    )


def test_two_processes_that_compile_at_once(tmp_path: Path) -> None:
    (tmp_path / "kernel.py").write_text(KERNEL)
    both = [_start(tmp_path, f"twice({x})", "slow") for x in ("1", "1.5")]
    assert [process.wait(timeout=120) for process in both] == [0, 0]
    later = _start(tmp_path, "print(twice(1), twice(1.5), sum(twice.stats.cache_hits.values()))")
    # With numba's own compiler in the kernel only one of the two is found again.
    assert later.communicate(timeout=120)[0].split() == ["2", "3.0", "2"]


PARALLEL = """
import numpy as np
from pipeline.jit import njit, prange

@njit(cache=True, parallel=True)
def wide(x):
    total = 0.0
    for i in prange(len(x)):
        total += x[i]
    return total

@njit(cache=True)
def either(x):
    return wide(x) if len(x) > 1000 else x[0]
"""


def test_a_caller_of_a_parallel_kernel_comes_out_of_the_cache_first(tmp_path: Path) -> None:
    (tmp_path / "kernel.py").write_text(KERNEL)
    (tmp_path / "widely.py").write_text(PARALLEL)
    call = "import numpy as np, widely\nprint(widely.either(np.ones(4)), sum(widely.either.stats.cache_hits.values()))"
    # Each in a process of its own, as set-up compiles them: the parallel one, its caller, and then the caller alone.
    first = _start(tmp_path, "import numpy as np, widely\nwidely.wide(np.ones(4))")
    assert first.wait(timeout=120) == 0
    assert _start(tmp_path, call).communicate(timeout=120)[0].split() == ["1.0", "0"]
    again = _start(tmp_path, call)
    # Without the threads' set-up this process ends with a segmentation fault.
    assert again.communicate(timeout=120)[0].split() == ["1.0", "1"]
    assert again.returncode == 0


def test_a_borrowing_kernel_leaves_its_arrays_to_their_holders() -> None:
    @njit(borrowing=True)
    def sum_of(rows: np.ndarray) -> float:
        total = 0.0
        for i in range(len(rows)):
            row = rows[i]
            for value in row[:2]:
                total += value
        return total

    @njit()
    def holder(n: int) -> float:
        rows = np.ones((n, 3))
        return sum_of(rows[1:]) + sum_of(rows)

    rows = np.ones((4, 3))
    before = sys.getrefcount(rows)
    assert sum_of(rows) == 8.0
    assert sys.getrefcount(rows) == before
    holder(1)
    runtime = numba.core.runtime
    runtime._nrt_python.memsys_enable_stats()
    held = runtime.rtsys.get_allocation_stats()
    assert holder(100) == 398.0
    now = runtime.rtsys.get_allocation_stats()
    runtime._nrt_python.memsys_disable_stats()
    assert now.mi_alloc - held.mi_alloc == now.mi_free - held.mi_free


def test_a_borrowing_kernel_that_makes_arrays_is_refused() -> None:
    @njit(borrowing=True)
    def makes(n: int) -> float:
        return np.zeros(n)[0]

    with pytest.raises(numba.core.errors.NumbaError):
        makes(3)
