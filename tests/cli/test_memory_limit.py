"""A limit on memory below what the libraries need is told before any of them is loaded: they hang or crash there."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.cli.memory_limit import lacking
from tests.campaign.seeds import files


@pytest.mark.parametrize(("limit", "megabytes", "words"), [
    # At 400 MB of address space OpenBLAS waited without end; at 150 it raised SIGINT; at 500 libgomp ended the process.
    (resource.RLIMIT_AS, 150, "MB of address space"),
    (resource.RLIMIT_AS, 400, "MB of address space"),
    (resource.RLIMIT_AS, 800, "MB of address space"),
    # At 200 and 300 MB of data it was a segmentation fault and LLVM's own end.
    (resource.RLIMIT_DATA, 200, "MB of data"),
    (resource.RLIMIT_DATA, 300, "MB of data"),
])  # fmt: skip
def test_a_limit_that_leaves_too_little(limit: int, megabytes: int, words: str, tmp_path: Path) -> None:
    (tmp_path / "scan.stl").write_bytes(files()["scan.stl"])
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "run", str(tmp_path / "scan.stl"), "--quiet"],
        preexec_fn=lambda: resource.setrlimit(limit, (megabytes << 20, megabytes << 20)),
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 4, done.stderr
    assert f"{megabytes * 1.048576:.0f} {words}" in done.stderr
    assert done.stderr.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["scan.stl"]


@pytest.mark.parametrize("threads", ["0", "-3", "00"])
def test_no_threads_at_all_are_a_limit_too(threads: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_NUM_THREADS", threads)
    assert (lacking() or "").startswith(f"NUMBA_NUM_THREADS leaves this program {int(threads)} threads;")


def test_help_needs_no_libraries() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "--help"],
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (100 << 20, 100 << 20)),
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0
    assert "Usage" in done.stdout
