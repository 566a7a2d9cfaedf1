"""Seeded faults: of those in `faults` the default suite catches at least 95 in 100.

Each is made in a scratch copy of the project, the tests that are named for it are run there, one of them must fail,
and the file is put back. DATUMLIFT_FAULTS: the numbers of those to try, "3-9" or "3,4,12"; all unless told otherwise.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.campaign.faults import FAULTS, Fault
from tests.scratch import kernels_carried_over, run, scratch_copy

LEAST = 0.95
SECONDS = 900.0  # a test that hangs has caught a fault as well
FAILED = (1, 2)  # exit statuses of pytest: a test failed, or could not be collected


def chosen() -> list[int]:
    """Places in the list of the faults to try."""
    text = os.environ.get("DATUMLIFT_FAULTS", f"1-{len(FAULTS)}")
    ends = [(first, last or first) for first, _, last in (part.partition("-") for part in text.split(","))]
    return [n - 1 for first, last in ends for n in range(int(first), int(last) + 1)]


def as_faulty(root: Path, fault: Fault) -> str:
    """The text of its file with a fault made; a fault that isn't one edit of the code as it is, is refused."""
    text = (root / "pipeline" / fault.file).read_text(encoding="utf-8")
    assert text.count(fault.was) == 1, f"{fault.file} has {fault.was!r} {text.count(fault.was)} times"
    assert fault.was != fault.put
    made = text.replace(fault.was, fault.put)
    compile(made, fault.file, "exec")
    return made


@contextmanager
def made(root: Path, fault: Fault) -> Iterator[None]:
    """While this lasts, a fault is in the copy."""
    path = root / "pipeline" / fault.file
    before, times = path.read_bytes(), path.stat()
    path.write_text(as_faulty(root, fault), encoding="utf-8")
    try:
        with kernels_carried_over(root):
            yield
    finally:
        path.write_bytes(before)
        os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def status(root: Path, tests: tuple[str, ...]) -> int:
    """The exit status of tests in the copy, as the default suite runs them."""
    named = " ".join(f"tests/{test}" for test in tests)
    try:
        return run(root, f"python -m pytest -x -q -p no:cacheprovider {named}", SECONDS).returncode
    except subprocess.TimeoutExpired:
        return FAILED[0]


def caught_by(root: Path, fault: Fault) -> str | None:
    """The first of its tests that fails with a fault; None where all pass."""
    with made(root, fault):
        for test in fault.tests:
            found = status(root, (test,))
            assert found in (0, *FAILED), f"pytest ended with status {found} over {test}"
            if found:
                return test
    return None


def test_each_fault_is_one_edit_of_the_code_as_it_is() -> None:
    """In the default suite: who changes a line that a fault is in is told to change the fault with it."""
    root = Path(__file__).resolve().parents[2]
    for fault in FAULTS:
        as_faulty(root, fault)
        assert all((root / "tests" / test).is_file() for test in fault.tests), fault
    assert len({(fault.file, fault.was, fault.put) for fault in FAULTS}) == len(FAULTS) >= 60


@pytest.mark.slow
def test_the_default_suite_catches_95_in_100(tmp_path: Path) -> None:
    root = scratch_copy(tmp_path)
    numbers = chosen()
    whole = tuple(dict.fromkeys(test for n in numbers for test in FAULTS[n].tests))
    unfit = [test for test in whole if status(root, (test,))]
    assert not unfit, f"without any fault these tests have to pass: {unfit}"
    survived = []
    for done, n in enumerate(numbers, 1):
        fault = FAULTS[n]
        by = caught_by(root, fault)
        told = f"caught by {by}" if by else "SURVIVED"
        print(f"{n + 1:4d} {fault.kind:10s} {fault.file}: {told} ({fault.why})", file=sys.stderr, flush=True)
        survived += [] if by else [f"{n + 1} {fault.file}: {fault.was!r} as {fault.put!r}"]
        score = 1.0 - len(survived) / done
    print(f"{len(numbers) - len(survived)} of {len(numbers)} caught, {score:.1%}", file=sys.stderr)
    assert score >= LEAST, "\n".join(survived)
