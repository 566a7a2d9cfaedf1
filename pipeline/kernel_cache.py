"""Where compiled kernels are kept: in a folder that belongs to one state of the code.

numba looks only at a function's own file when it decides whether the compiled code still holds. A kernel whose
callee in another file has changed is taken from the cache as it was, with the callee's old code in it, and may even
crash. So each state of the package gets a cache of its own. It starts with those kernels of the state before whose
file, and all that the file imports of ours, is as it was; the caches of earlier states are then taken away.
"""

from __future__ import annotations

import ast
import contextlib
import hashlib
import json
import os
import shutil
import sys
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType

PREFIX = "kernels-"
_VARIABLE = "NUMBA_CACHE_DIR"
_CLOSURES = "closures.json"
_RUNS_AT_MOST = 86400.0  # s


def _files(*roots: Path) -> list[Path]:
    return [path for root in roots for path in root.rglob("*.py")]


def closures_of(*roots: Path, beside: Mapping[str, Iterable[Path]] = MappingProxyType({})) -> dict[str, str]:
    """For each Python file below the roots a digest of the state of it and of all that it imports below them.

    The keys are `folder/stem`: so far numba's own file names tell where a kernel comes from. For `beside` see `settle`.
    """
    modules = {
        ".".join(path.relative_to(root.parent).with_suffix("").parts).removesuffix(".__init__"): path
        for root in roots
        for path in root.rglob("*.py")
    }
    imports = {name: _imported(path) & modules.keys() for name, path in modules.items()}
    out: dict[str, list[str]] = {}
    for name, path in modules.items():
        reached, ahead = {name}, [name]
        while ahead:
            fresh = imports[ahead.pop()] - reached
            reached |= fresh
            ahead += fresh
        files = [modules[n] for n in reached] + [file for n in reached & beside.keys() for file in beside[n]]
        out.setdefault(f"{path.parent.name}/{path.stem}", []).append(_digest(files))
    return {key: "".join(sorted(digests)) for key, digests in out.items()}


def settle(package: Path, beside: Mapping[str, Iterable[Path]] = MappingProxyType({})) -> Path:
    """Have numba keep its compiled kernels in the folder of the package's present state; that folder.

    beside  files from outside that this process works into a module of the package, by that module's full name: with
            them the kernels of all that imports it are other ones, and lie in a folder of their own

    It lies in the folder that the user gave numba, if any, else beside the package, or in the user's cache where
    the package can't be written.
    """
    # A process may start one of another copy of the package: that one's kernels are not of an earlier state.
    added = [path for paths in beside.values() for path in paths]
    copy = PREFIX + hashlib.sha256("\n".join(map(str, (package, *added))).encode()).hexdigest()[:8] + "-"
    roots = package, package.parent / "sample_meshes"
    given = os.environ.get(_VARIABLE)
    if given and Path(given).name.startswith(PREFIX):  # settled by a process that started this one
        home = Path(given).parent
    elif given:
        home = Path(given)
    elif os.access(package, os.W_OK):
        home = package / "__pycache__"
    else:
        home = Path.home() / ".cache" / "datumlift"
    folder = home / (copy + _digest([*_files(*roots), *added]))
    if not folder.exists():
        earlier = list(home.glob(copy + "*"))
        # A cache that can't be carried over is made anew; a file half written by an editor can't be parsed.
        with contextlib.suppress(OSError, SyntaxError, ValueError):
            others = [Path(given)] if given and added else []
            _begin(folder, [*others, *earlier], closures_of(*roots, beside=beside))
        for old in earlier:
            _take_away(old)
    os.environ[_VARIABLE] = str(folder)
    if "numba" in sys.modules:
        sys.modules["numba"].config.CACHE_DIR = str(folder)
    return folder


def _begin(folder: Path, earlier: list[Path], closures: dict[str, str]) -> None:
    """Make the folder, with the kernels of the earlier ones whose code is as it was."""
    making = folder.with_name(f"{folder.name}.{os.getpid()}")
    making.mkdir(parents=True)
    for old in earlier:
        listed = old / _CLOSURES
        before = json.loads(listed.read_text()) if listed.exists() else {}
        for kernel in old.glob("*/*.nb[ic]"):
            key = f"{kernel.parent.name.rpartition('_')[0]}/{kernel.name.partition('.')[0]}"
            if key in before and before[key] == closures.get(key):
                kept = making / kernel.parent.name / kernel.name
                kept.parent.mkdir(exist_ok=True)
                shutil.copyfile(kernel, kept)
    (making / _CLOSURES).write_text(json.dumps(closures))
    try:
        making.rename(folder)
    except OSError:  # another process was first
        shutil.rmtree(making, ignore_errors=True)


def _take_away(old: Path) -> None:
    """Delete an earlier state's kernels; its folders stay a while, since a process that still runs may write there."""
    with contextlib.suppress(OSError):
        if time.time() - old.stat().st_mtime > _RUNS_AT_MOST:
            shutil.rmtree(old, ignore_errors=True)
        for kernel in old.glob("*/*.nb[ic]"):
            kernel.unlink()


def _digest(paths: Iterable[Path]) -> str:
    digest = hashlib.sha256()
    for path in sorted(paths):
        seen = path.stat()
        digest.update(f"{path} {seen.st_size} {seen.st_mtime_ns}\n".encode())
    return digest.hexdigest()[:16]


def _imported(path: Path) -> set[str]:
    """The full names of all modules that a file may import, those inside its functions included."""
    out = set()
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            out |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return out
