"""The list of kernels that are compiled ahead: it fits the code, callees come first, and what it says comes back."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numba
import pytest

from pipeline import warm
from pipeline.warm import Variant

ROOT = Path(__file__).resolve().parent.parent
OUTDATED = "write the list anew: python -m pipeline.warm record"


def test_each_line_names_a_kernel_and_all_its_arguments() -> None:
    for variant in warm.read_list():
        kernel = warm._find(variant.kernel)
        assert len(variant.takes) == kernel.py_func.__code__.co_argcount, f"{variant.kernel}: {OUTDATED}"
        assert [warm._written(warm._type_of(t)) for t in variant.takes] == list(variant.takes)


def test_callees_come_first() -> None:
    for place, variant in enumerate(warm.read_list()):
        assert all(callee < place for callee in variant.calls)


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    variants = [
        Variant("pipeline.a:b", ("float64 2 C readonly", "int64", {"constant": [True]}), ()),
        Variant("pipeline.c:d", ([["int32", "bool"], "uint8 1 A"],), (0,)),
    ]
    warm.write_list(variants, tmp_path / "list.json")
    again = warm.read_list(tmp_path / "list.json")
    assert json.dumps([vars(v) for v in again]) == json.dumps([vars(v) for v in variants])


def test_a_type_that_the_list_has_no_words_for() -> None:
    with pytest.raises(ValueError, match=r"unicode_type can't be written"):
        warm._written(numba.types.unicode_type)


def test_the_longest_chain_of_callers_is_first() -> None:
    kernels = [Variant("a", (), ()), Variant("b", (), ()), Variant("c", (), (1,)), Variant("d", (), (0, 2))]
    assert warm.heights(kernels) == [1, 2, 1, 0]


# Two kernels, one of which calls the other with constants.
KERNELS = """
from pipeline.jit import njit
@njit(cache=True)
def inner(x, n):
    return x * n
@njit(cache=True)
def outer(x):
    return inner(x, 3) + inner(x, 4)
"""
SCRIPT = """
import sys
from pathlib import Path
from pipeline import warm
warm._OURS = ("scratch_kernels",)
path = Path(sys.argv[1])
import scratch_kernels as k
if sys.argv[2] == "record":
    warm.write_list(warm.record(lambda: k.outer(2.0)), path)
elif sys.argv[2] == "compile":
    told = []
    failed = warm.compile_all(warm.read_list(path), lambda left, of: told.append((left, of)))
    print(told, failed)
else:
    print(k.outer(2.0), sum(k.outer.stats.cache_hits.values()), sum(k.outer.stats.cache_misses.values()))
"""


def _run(folder: Path, what: str, cache: str) -> str:
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(folder / cache)}
    environment["PYTHONPATH"] = os.pathsep.join([str(folder), str(ROOT)])
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(folder / "list.json"), what],
        env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout.strip()


def test_recorded_then_compiled_ahead_then_found(tmp_path: Path) -> None:
    (tmp_path / "scratch_kernels.py").write_text(KERNELS)
    _run(tmp_path, "record", "cold")
    # One variant of the inner kernel: with numba's own decorator each constant makes one.
    assert json.loads((tmp_path / "list.json").read_text()) == [
        ["scratch_kernels:inner", ["float64", "int64"], []],
        ["scratch_kernels:outer", ["float64"], [0]],
    ]
    assert _run(tmp_path, "compile", "warm") == "[(1, 2), (0, 2)] []"
    assert _run(tmp_path, "run", "warm") == "14.0 1 0"
    assert _run(tmp_path, "run", "empty") == "14.0 0 1"


def test_a_line_that_no_longer_fits_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / "scratch_kernels.py").write_text(KERNELS)
    lines = [["scratch_kernels:gone", [], []], ["scratch_kernels:outer", ["float64"], [0]]]
    (tmp_path / "list.json").write_text(json.dumps(lines))
    said = _run(tmp_path, "compile", "warm")
    assert "scratch_kernels:gone: AttributeError" in said
    assert _run(tmp_path, "run", "warm") == "14.0 1 0"


RECORDED = """
import sys, pipeline
from pipeline import warm
listed = {(v.kernel, str(list(v.takes))) for v in warm.read_list()}
used = warm.record(warm.run_demo)
print([v.kernel for v in used if (v.kernel, str(list(v.takes))) not in listed])
"""


@pytest.mark.slow
def test_a_run_uses_no_kernel_that_is_not_on_the_list() -> None:
    done = subprocess.run([sys.executable, "-c", RECORDED], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip().splitlines()[-1] == "[]", OUTDATED
