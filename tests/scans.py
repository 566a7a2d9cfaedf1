"""Scans for tests: the demo part at any density, and open CAD parts made into scans. Cached on disk."""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from sample_meshes.design import Design
from sample_meshes.make_scan import Scan, make_scan

T = TypeVar("T")
CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "datumlift-tests"
HERE = Path(__file__).resolve()
SOURCES = (*sorted((HERE.parent.parent / "sample_meshes").glob("*.py")), HERE)


def cached(key: str, make: Callable[[], T]) -> T:
    """The result of `make`, kept under `key` as long as the generator's source stays the same."""
    digest = hashlib.sha256(key.encode())
    for source in SOURCES:
        digest.update(source.read_bytes())
    path = CACHE / f"{digest.hexdigest()[:24]}.pickle"
    try:
        return pickle.loads(path.read_bytes())
    except (OSError, EOFError, pickle.UnpicklingError, AttributeError, ImportError):
        pass
    result = make()
    CACHE.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{path.name}.{os.getpid()}")
    part.write_bytes(pickle.dumps(result, protocol=5))
    os.replace(part, path)
    return result


def demo_scan(
    facets: float = 200_000, seed: int = 1, design: int | None = None, **options: object
) -> Scan:
    """A scan of the demo part, or of `Design.varied(design)`; options are those of `make_scan`."""
    key = f"demo {float(facets)} {seed} {design} {sorted(options.items())}"
    part = Design.sample() if design is None else Design.varied(design)
    return cached(key, lambda: make_scan(facets, seed, part, **options))
