"""Compiled kernels outlive no change of the code that they were compiled from, their callees' included."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import kernel_cache

CALLEE = "from numba import njit\n@njit(cache=True)\ndef callee(x):\n    return x + {}\n"
CALLER = (
    "from numba import njit\nfrom {}.callee import callee\n@njit(cache=True)\ndef caller(x):\n    return callee(x)\n"
)


def _run(folder: Path, package: str, settled: bool) -> str:
    """What the caller gives in a process of its own."""
    place = str(folder / package)
    settle = (
        f"from pipeline import kernel_cache; del os.environ['NUMBA_CACHE_DIR']; kernel_cache.settle(Path({place!r}));"
        if settled
        else ""
    )
    code = f"import os; from pathlib import Path; {settle} from {package}.caller import caller; print(caller(1))"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), str(Path(__file__).parent.parent)])}
    environment.pop("NUMBA_CACHE_DIR", None)
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    return done.stdout.strip()


@pytest.mark.parametrize(("settled", "second"), [(False, "2"), (True, "101")])
def test_a_changed_callee_reaches_its_cached_caller(tmp_path: Path, settled: bool, second: str) -> None:
    package = tmp_path / "kernels"
    package.mkdir()
    (package / "__init__.py").touch()
    (package / "caller.py").write_text(CALLER.format("kernels"))
    (package / "callee.py").write_text(CALLEE.format(1))
    assert _run(tmp_path, "kernels", settled) == "2"
    (package / "callee.py").write_text(CALLEE.format(100))
    # Without a settled cache numba answers with the callee of before: the fault that this guards against.
    assert _run(tmp_path, "kernels", settled) == second


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    import numba

    monkeypatch.setattr(numba.config, "CACHE_DIR", numba.config.CACHE_DIR)
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    made = tmp_path / "package"
    made.mkdir()
    (made / "a.py").write_text("1")
    return made


def test_the_cache_of_an_earlier_state_is_taken_away(package: Path) -> None:
    first = kernel_cache.settle(package)
    kernel = first / "package_0123" / "a.f-1.py311.nbi"
    kernel.parent.mkdir()
    kernel.touch()
    assert kernel_cache.settle(package) == first
    (package / "a.py").write_text("22")
    second = kernel_cache.settle(package)
    assert second != first
    assert not kernel.exists()
    assert kernel.parent.exists(), "a process of the earlier state must still be able to write there"
    os.utime(first, (0.0, 0.0))
    (package / "a.py").write_text("333")
    kernel_cache.settle(package)
    assert not first.exists()


def test_a_folder_that_the_user_gave_is_kept_to(package: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "other").touch()
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "mine"))
    folder = kernel_cache.settle(package)
    assert folder.parent == tmp_path / "mine"
    assert kernel_cache.settle(package) == folder
    assert (tmp_path / "mine" / "other").exists()


def test_kernels_are_kept_whose_code_is_as_it_was(package: Path) -> None:
    (package / "b.py").write_text("from package.a import x")
    (package / "c.py").write_text("import json")
    first = kernel_cache.settle(package)
    here = first / "package_0123"
    here.mkdir()
    for name in ("a.f-1.py311.nbi", "b.g-1.py311.1.nbc", "c.h-1.py311.nbi"):
        (here / name).write_text(name)
    (package / "a.py").write_text("22")
    second = kernel_cache.settle(package)
    assert [kept.read_text() for kept in second.glob("*/*.nb*")] == ["c.h-1.py311.nbi"]
    assert not list(first.glob("*/*.nb*"))


def test_another_copy_of_the_package_leaves_these_kernels_alone(package: Path, tmp_path: Path) -> None:
    first = kernel_cache.settle(package)
    assert first.exists()
    copy = tmp_path / "copy"
    copy.mkdir()
    assert kernel_cache.settle(copy).parent == first.parent
    assert first.exists()
