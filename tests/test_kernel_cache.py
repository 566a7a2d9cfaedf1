"""Compiled kernels outlive no change of the code that they were compiled from, their callees' included."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
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


def _keep(cache: Path, source: Path, kernel: str) -> Path:
    """Put something where numba keeps a kernel of a source file."""
    from numba.core.caching import UserProvidedCacheLocator

    kept = cache / UserProvidedCacheLocator.get_suitable_cache_subpath(str(source)) / f"{source.stem}.{kernel}"
    kept.parent.mkdir(exist_ok=True)
    kept.write_text(kernel)
    return kept


def _kept(cache: Path) -> set[str]:
    return {path.read_text() for path in cache.glob("*/*.nb*")}


def test_kernels_are_kept_whose_code_is_as_it_was(package: Path) -> None:
    (package / "b.py").write_text("from package.a import x")
    (package / "c.py").write_text("import json")
    first = kernel_cache.settle(package)
    for name in ("a.f-1.py311.nbi", "b.g-1.py311.1.nbc", "c.h-1.py311.nbi"):
        _keep(first, package / f"{name[0]}.py", name[2:])
    (package / "a.py").write_text("22")
    second = kernel_cache.settle(package)
    assert _kept(second) == {"h-1.py311.nbi"}
    assert not list(first.glob("*/*.nb*"))


def test_files_of_the_same_name_in_folders_of_the_same_name(package: Path) -> None:
    """Each of the two has its own kernels, and those of the one that changed are not taken for the other's."""
    for room in ("this", "that"):
        (package / room / "inner").mkdir(parents=True)
        (package / room / "inner" / "same.py").write_text("1")
    first = kernel_cache.settle(package)
    for room in ("this", "that"):
        _keep(first, package / room / "inner" / "same.py", f"{room}-1.py311.nbi")
    (package / "that" / "inner" / "same.py").write_text("22")
    assert _kept(kernel_cache.settle(package)) == {"this-1.py311.nbi"}


DOOR = '''"""A door."""

from __future__ import annotations

from package.room.one import first
from package.room.two import second as other

__all__ = ["first", "other"]
'''


def _with_door(package: Path, door: str, caller: str) -> None:
    (package / "room").mkdir()
    (package / "room" / "__init__.py").write_text(door)
    (package / "room" / "one.py").write_text("first = 1")
    (package / "room" / "two.py").write_text("second = 2")
    (package / "caller.py").write_text(caller)


@pytest.mark.parametrize(
    ("door", "caller", "changed", "holds"),
    [
        (DOOR, "from package.room import first", "two", True),
        (DOOR, "from package.room import first", "one", False),
        (DOOR, "from package.room import other", "two", False),
        (DOOR, "from package.room import other", "one", True),
        (DOOR, "from package.room import one", "two", True),
        (DOOR, "def f():\n    from package.room import first", "one", False),
        (DOOR, "import package.room", "two", False),
        # A door that does more than pass on may make the name of anything that it imports.
        (DOOR + "first += other", "from package.room import first", "two", False),
        ("from package.room.one import *", "from package.room import first", "one", False),
    ],
)
def test_a_name_is_followed_through_the_door(package: Path, door: str, caller: str, changed: str, holds: bool) -> None:
    _with_door(package, door, caller)
    _keep(kernel_cache.settle(package), package / "caller.py", "f-1.py311.nbi")
    (package / "room" / f"{changed}.py").write_text("first = second = 333")
    assert bool(_kept(kernel_cache.settle(package))) is holds


def test_a_door_that_leads_elsewhere_than_before(package: Path) -> None:
    _with_door(package, DOOR, "from package.room import first")
    _keep(kernel_cache.settle(package), package / "caller.py", "f-1.py311.nbi")
    (package / "room" / "__init__.py").write_text(DOOR.replace("one import first", "two import first"))
    assert not _kept(kernel_cache.settle(package))


def test_a_door_behind_a_door(package: Path) -> None:
    _with_door(package, DOOR, "from package import first")
    (package / "__init__.py").write_text("from package.room import first, other")
    _keep(kernel_cache.settle(package), package / "caller.py", "f-1.py311.nbi")
    (package / "room" / "two.py").write_text("second = 22")
    state = kernel_cache.settle(package)
    assert _kept(state) == {"f-1.py311.nbi"}
    (package / "room" / "one.py").write_text("first = 11")
    assert not _kept(kernel_cache.settle(package))


def test_another_copy_of_the_package_leaves_these_kernels_alone(package: Path, tmp_path: Path) -> None:
    first = kernel_cache.settle(package)
    assert first.exists()
    copy = tmp_path / "copy"
    copy.mkdir()
    assert kernel_cache.settle(copy).parent == first.parent
    assert first.exists()


def test_a_user_without_a_home_of_his_own_has_kernels_that_nobody_else_can_write(
    package: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("where a home would be")
    (tmp_path / "temporary").mkdir()
    monkeypatch.setenv("HOME", str(tmp_path / "file"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setattr(os, "access", lambda path, _: path != package)
    home = kernel_cache.settle(package).parent
    assert home == tmp_path / "temporary" / f"datumlift-{os.getuid()}"
    assert home.stat().st_mode & 0o777 == 0o700
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    home.chmod(0o777)
    other = kernel_cache.settle(package).parent
    assert other.parent == home.parent
    assert other != home
    assert other.stat().st_mode & 0o777 == 0o700
