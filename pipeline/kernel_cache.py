"""Where compiled kernels are kept: in a folder that belongs to one state of the code.

numba looks only at a function's own file when it decides whether the compiled code still holds. A kernel whose
callee in another file has changed is taken from the cache as it was, with the callee's old code in it, and may even
crash. So each state of the package gets a cache of its own, and those of earlier states are taken away.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
from pathlib import Path

PREFIX = "kernels-"
_VARIABLE = "NUMBA_CACHE_DIR"


def state_of(*roots: Path) -> str:
    """A digest of the names, sizes and times of the Python files below the roots."""
    digest = hashlib.sha256()
    for root in roots:
        for path in sorted(root.rglob("*.py")):
            seen = path.stat()
            digest.update(f"{path} {seen.st_size} {seen.st_mtime_ns}\n".encode())
    return digest.hexdigest()[:16]


def settle(package: Path) -> Path:
    """Have numba keep its compiled kernels in the folder of the package's present state; that folder.

    It lies in the folder that the user gave numba, if any, else beside the package, or in the user's cache where
    the package can't be written.
    """
    # A process may start one of another copy of the package: that one's kernels are not of an earlier state.
    copy = PREFIX + hashlib.sha256(str(package).encode()).hexdigest()[:8] + "-"
    name = copy + state_of(package, package.parent / "sample_meshes")
    given = os.environ.get(_VARIABLE)
    if given and Path(given).name.startswith(PREFIX):  # settled by a process that started this one
        home = Path(given).parent
    elif given:
        home = Path(given)
    elif os.access(package, os.W_OK):
        home = package / "__pycache__"
    else:
        home = Path.home() / ".cache" / "datumlift"
    for old in home.glob(copy + "*"):
        if old.name != name:
            shutil.rmtree(old, ignore_errors=True)
    folder = home / name
    os.environ[_VARIABLE] = str(folder)
    if "numba" in sys.modules:
        sys.modules["numba"].config.CACHE_DIR = str(folder)
    return folder
