r"""datumlift: from a dense scan of a machined casting to a light mesh, a datum file and the proof of what was lost.

    import pipeline
    result = pipeline.run("scan.stl")
    for feature in result.features:
        print(feature.id, feature.kind, feature.radius)

`run` does what `datumlift run` does. It takes a scan, a job file or a `Job`, writes its files into a folder beside the
scan, and gives a `Result`. A second run makes anew only what has changed. What it found is at hand

- as values: `Result.features`, each a `Feature`; `Result.frame`, a `Frame`; `Result.audit`, an `Audit`; and the
  triangles of a stage as a `Surface`, for example `Result.lighten.surface`;
- as a file that any program can read: `read_datums(result.out / "datums.json")` gives it as a `DatumFile`.

What to do differently is said in a job, either in a file, read by `load_job`, or in the script:

    job = pipeline.Job(scan="scan.stl", lighten={"tolerance": 0.05}, frame={"A": "F1"})
    result = pipeline.run(job, out="found")
    if not result.audit.within_budget:
        print(*result.cautions, sep="\n")

Lengths are mm. Angles are radians in values and degrees in jobs and files. Points are in scan coordinates unless a name
says otherwise; `Frame.matrix` leads to part coordinates, which places in a job are in, unless they say "scan: [x, y,
z]". Arrays are float64, facets int32 and counter-clockwise from
outside the material. No figure that couldn't be vouched for is given: it is None, and the cautions say why.

Whatever goes wrong on the way is a `DatumliftError` that says in one sentence what, where and what to do.
"""

from __future__ import annotations

import importlib
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import kernel_cache

__version__ = "0.1.0"

kernel_cache.settle(Path(__file__).parent)

# Read when the libraries are loaded. Matrices here have some hundred rows at most: more threads of OpenBLAS than one
# have nothing to do but to wait for each other. And threads that wait should sleep: by default both libraries let them
# run idle, which on a busy machine takes more of its processors than the work does.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")

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
