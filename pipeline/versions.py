"""Versions of the libraries whose figures enter results: a run is repeated with the same ones."""

from __future__ import annotations

import contextlib
import importlib.metadata

LIBRARIES = (
    "numpy",
    "scipy",
    "numba",
    "open3d-cpu",
    "open3d",
    "trimesh",
    "pymeshlab",
    "cadquery-ocp-novtk",
    "manifold3d",
    "ezdxf",
    "reportlab",
    "pillow",
)


def library_versions() -> dict[str, str]:
    """Name and version of those that are installed."""
    found = {}
    for name in LIBRARIES:
        with contextlib.suppress(importlib.metadata.PackageNotFoundError):
            found[name] = importlib.metadata.version(name)
    return found
