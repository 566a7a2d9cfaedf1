"""datumlift: from a dense scan of a machined casting to a light mesh, a datum file and the proof of what was lost.

    import pipeline
    result = pipeline.run("scan.stl")
    for feature in result.features:
        print(feature.id, feature.kind, feature.radius)

Lengths are millimetres and angles radians throughout this API; degrees appear only in files and on screen.
"""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import kernel_cache

__version__ = "0.1.0"

kernel_cache.settle(Path(__file__).parent)

_HOMES = {
    "run": "pipeline.runner",
    "Result": "pipeline.runner",
    "Job": "pipeline.job",
    "load_job": "pipeline.job",
    "Surface": "pipeline.values",
    "Feature": "pipeline.values",
    "Frame": "pipeline.values",
    "Audit": "pipeline.values",
    "DatumFile": "pipeline.formats.datum_file",
    "read_datums": "pipeline.formats.datum_file",
    "DatumliftError": "pipeline.errors",
}

__all__ = [
    "Audit",
    "DatumFile",
    "DatumliftError",
    "Feature",
    "Frame",
    "Job",
    "Result",
    "Surface",
    "load_job",
    "read_datums",
    "run",
]

if TYPE_CHECKING:
    from pipeline.errors import DatumliftError
    from pipeline.formats.datum_file import DatumFile, read_datums
    from pipeline.job import Job, load_job
    from pipeline.runner import Result, run
    from pipeline.values import Audit, Feature, Frame, Surface


def __getattr__(name: str) -> Any:
    """Import the public names on first use, so that the command line answers at once."""
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'pipeline' has no attribute {name!r}")
