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
import stat
import sys
import tempfile
import time
from collections.abc import Iterable, Mapping, Set
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

    The keys are those of `_kernels_of`. A name that comes through the `__init__` of a package, which only passes on
    what its files define, is followed to the file that defines it: the package's other files don't count. For
    `beside` see `settle`.
    """
    modules = {
        ".".join(path.relative_to(root.parent).with_suffix("").parts).removesuffix(".__init__"): path
        for root in roots
        for path in _files(root)
    }
    trees = {name: ast.parse(path.read_bytes()) for name, path in modules.items()}
    doors = {
        name: _passed_on(tree)
        for name, tree in trees.items()
        if modules[name].name == "__init__.py" and _only_passes_on(tree)
    }
    imports = {name: _imported(tree, modules.keys(), doors) for name, tree in trees.items()}
    out = {}
    for name, path in modules.items():
        reached, ahead = {name}, [name]
        while ahead:
            fresh = imports[ahead.pop()] - reached
            reached |= fresh
            ahead += fresh
        files = [modules[n] for n in reached] + [file for n in reached & beside.keys() for file in beside[n]]
        out[_kernels_of(path)] = _digest(files)
    return out


def _kernels_of(path: Path) -> str:
    """Where numba keeps the kernels of a file, but for their names: the folder, by its name and a digest of its path,
    and the file's stem."""
    folder = os.path.abspath(path.parent)
    return f"{os.path.basename(folder)}_{hashlib.sha1(folder.encode()).hexdigest()}/{path.stem}"


def settle(package: Path, beside: Mapping[str, Iterable[Path]] = MappingProxyType({})) -> Path:
    """Have numba keep its compiled kernels in the folder of the package's present state; that folder.

    beside  files from outside that this process works into a module of the package, by that module's full name: with
            them the kernels of all that imports it are other ones, and lie in a folder of their own

    It lies in the folder that the user gave numba, if any, else beside the package, or in the user's cache where
    the package can't be written, or below the system's folder for temporary files where the user has no cache.
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
        home = _cache_of_user()
    folder = home / (copy + _digest([*_files(*roots), *added]))
    if not folder.exists():
        earlier = list(home.glob(copy + "*"))
        # A cache that can't be carried over is made anew; a file half written by an editor can't be parsed.
        with contextlib.suppress(OSError, SyntaxError, ValueError, MemoryError):
            others = [Path(given)] if given and added else []
            _begin(folder, [*others, *earlier], closures_of(*roots, beside=beside))
            for old in earlier:
                _take_away(old)
    os.environ[_VARIABLE] = str(folder)
    if "numba" in sys.modules:
        sys.modules["numba"].config.CACHE_DIR = str(folder)
    return folder


def _cache_of_user() -> Path:
    """A folder for kernels that this user can write, and nobody else: what lies there is run."""
    with contextlib.suppress(OSError, RuntimeError):  # a user without a home, or with another one's
        home = Path.home() / ".cache" / "datumlift"
        home.mkdir(parents=True, exist_ok=True)
        if os.access(home, os.W_OK | os.X_OK):
            return home
    shared = Path(tempfile.gettempdir()) / f"datumlift-{os.getuid()}"
    with contextlib.suppress(OSError):
        shared.mkdir(mode=0o700, exist_ok=True)
        seen = shared.lstat()
        if stat.S_ISDIR(seen.st_mode) and seen.st_uid == os.getuid() and stat.S_IMODE(seen.st_mode) == 0o700:
            return shared
    return Path(tempfile.mkdtemp(prefix="datumlift-"))


def _begin(folder: Path, earlier: list[Path], closures: dict[str, str]) -> None:
    """Make the folder, with the kernels of the earlier ones whose code is as it was."""
    making = folder.with_name(f"{folder.name}.{os.getpid()}")
    making.mkdir(parents=True)
    for old in earlier:
        listed = old / _CLOSURES
        before = json.loads(listed.read_text()) if listed.exists() else {}
        for kernel in old.glob("*/*.nb[ic]"):
            key = f"{kernel.parent.name}/{kernel.name.partition('.')[0]}"
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


def _only_passes_on(tree: ast.Module) -> bool:
    """Whether a package's `__init__` has nothing but its docstring, imports of names and their list."""
    return all(
        (isinstance(node, ast.ImportFrom) and all(alias.name != "*" for alias in node.names))
        or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
        or (isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__")
        for node in tree.body
    )


def _passed_on(tree: ast.Module) -> dict[str, tuple[str, str]]:
    """For each name that a door passes on the module it comes from, and what it is called there."""
    return {
        alias.asname or alias.name: (node.module, alias.name)
        for node in tree.body
        if isinstance(node, ast.ImportFrom) and node.module
        for alias in node.names
    }


def _imported(tree: ast.Module, modules: Set[str], doors: Mapping[str, Mapping[str, tuple[str, str]]]) -> set[str]:
    """The modules that a file may import, those inside its functions included."""
    out = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                out.add(_home_of(node.module, alias.name, modules, doors))
    return out & modules


def _home_of(module: str, name: str, modules: Set[str], doors: Mapping[str, Mapping[str, tuple[str, str]]]) -> str:
    """The module that defines a name which is imported from another."""
    passed: set[tuple[str, str]] = set()
    while f"{module}.{name}" not in modules and name in doors.get(module, {}) and (module, name) not in passed:
        passed.add((module, name))
        module, name = doors[module][name]
    return f"{module}.{name}" if f"{module}.{name}" in modules else module
