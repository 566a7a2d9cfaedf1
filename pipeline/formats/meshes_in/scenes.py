"""Reading 3MF and glTF, the forms that hold a scene of placed parts and state their unit."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError

# 3MF core specification, the model element's `unit`; glTF 2.0 section 3.4: all lengths are metres.
_3MF_UNITS = {
    "micron": "um",
    "millimeter": "mm",
    "centimeter": "cm",
    "inch": "in",
    "foot": "ft",
    "meter": "m",
}


def read_scene(path: Path) -> tuple[NDArray[np.float64], NDArray[np.int32], str]:
    """Points (n, 3), faces (m, 3) of all parts where the scene puts them, and the unit. Raises InputError."""
    import trimesh

    form = path.suffix.lower()
    unit = _unit_of_3mf(path) if form == ".3mf" else "m"
    try:
        scene = trimesh.load_scene(path, process=False)
        meshes = [part for part in scene.dump() if isinstance(part, trimesh.Trimesh)]
    except OSError:
        raise
    except Exception as error:
        # The reader raises whatever its parsers raise on a broken file.
        raise InputError(
            f"{path} can't be understood as {form[1:]} ({type(error).__name__}: {error}); export or copy it again."
        ) from None
    if not meshes:
        raise InputError(f"{path} holds no facets; give the scan as a triangle mesh.")
    starts = np.cumsum([0, *(len(part.vertices) for part in meshes[:-1])])
    faces = [np.asarray(part.faces) + start for part, start in zip(meshes, starts, strict=True)]
    points = np.concatenate([np.asarray(part.vertices, dtype=np.float64) for part in meshes])
    return points, np.concatenate(faces).astype(np.int32), unit


def _unit_of_3mf(path: Path) -> str:
    try:
        with zipfile.ZipFile(path) as archive:
            name = next(n for n in archive.namelist() if n.lower().endswith(".model"))
            with archive.open(name) as model:
                head = model.read(65536).decode("utf-8", "replace")
    except (zipfile.BadZipFile, StopIteration, EOFError):
        raise InputError(f"{path} is not a whole 3MF file; export or copy it again.") from None
    found = re.search(r"<(?:\w+:)?model\b[^>]*?\bunit\s*=\s*[\"'](\w+)[\"']", head)
    stated = found.group(1).lower() if found else "millimeter"
    if stated not in _3MF_UNITS:
        raise InputError(f"{path} states the unit {stated!r}, which 3MF does not know; export it again.")
    return _3MF_UNITS[stated]
