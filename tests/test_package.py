"""The package as a script meets it: public names on first use, versions, the meter of a stage, a surface.

Covers: pipeline, pipeline.versions, pipeline.meter, pipeline.values.surface
"""

from __future__ import annotations

import importlib.metadata
import os
import resource
import subprocess
import sys
import time

import numpy as np
import pytest

import pipeline
from pipeline.meter import Meter
from pipeline.values import MEASURED, Surface
from pipeline.versions import library_versions


@pytest.mark.parametrize("name", pipeline.__all__)
def test_public_names_are_there(name: str) -> None:
    assert getattr(pipeline, name).__doc__


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'walk'"):
        _ = pipeline.walk


def test_importing_the_package_imports_nothing_heavy() -> None:
    code = "import sys, pipeline; print(sorted({'numpy', 'numba', 'scipy', 'pydantic'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(("given", "policy"), [({}, "PASSIVE"), ({"OMP_WAIT_POLICY": "ACTIVE"}, "ACTIVE")])
def test_threads_that_wait_sleep_unless_the_user_says_otherwise(given: dict[str, str], policy: str) -> None:
    """As the OpenMP library tells what it goes by: OMP_DISPLAY_ENV of the OpenMP specification."""
    pytest.importorskip("numba.np.ufunc.omppool")
    there = {name: value for name, value in os.environ.items() if name != "OMP_WAIT_POLICY"}
    code = "import pipeline, numba.np.ufunc.omppool"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env=there | {"OMP_DISPLAY_ENV": "TRUE"} | given,
    )
    assert f"OMP_WAIT_POLICY = '{policy}'" in done.stderr


def test_versions_are_those_of_the_installed_libraries() -> None:
    found = library_versions()
    assert found["numpy"] == np.__version__
    assert found["scipy"] == importlib.metadata.version("scipy")


def test_the_meter_sees_time_and_memory() -> None:
    meter = Meter()
    block = np.ones(25_000_000)
    time.sleep(0.05)
    assert 0.05 <= meter.seconds < 60.0
    # getrusage counts in KiB on Linux, from the start of the process; a stage's own peak is never above that
    whole = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
    assert meter.peak_mb is not None
    assert block.nbytes / 1e6 < meter.peak_mb <= whole * 1.001


def test_a_measured_surface_is_cast_and_counted() -> None:
    made = Surface.measured(np.zeros((3, 3), np.float32), np.array([[0, 1, 2]], np.int64))
    assert made.vertices.dtype == np.float64
    assert made.faces.dtype == np.int32
    assert made.facets == 1
    assert made.origin.tolist() == [MEASURED]
