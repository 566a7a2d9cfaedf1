"""Reading 3MF, which holds placed parts and states its unit."""

from __future__ import annotations

import re
import zipfile
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError

# 3MF core specification, the model element's `unit`.
_3MF_UNITS = {
    "micron": "um",
    "millimeter": "mm",
    "centimeter": "cm",
    "inch": "in",
    "foot": "ft",
    "meter": "m",
}


# Numbers as XML pack to a tenth or so; an archive that swells more than this was made to.
_MOST_SWELLING = 200
_ENCRYPTED = 0x1
# What a damaged archive makes its reader raise; NotImplementedError, a RuntimeError, is an unknown compression.
_BROKEN = (
    ArithmeticError,
    EOFError,
    LookupError,
    RuntimeError,
    StopIteration,
    ValueError,
    zipfile.BadZipFile,
    zlib.error,
)


def read_3mf(path: Path) -> tuple[NDArray[np.float64], NDArray[np.int32], str]:
    """Points (n, 3), faces (m, 3) of all parts where the file puts them, and the unit. Raises InputError."""
    import trimesh

    unit = _unit(path)
    try:
        scene = trimesh.load_scene(path, process=False)
        meshes = [part for part in scene.dump() if isinstance(part, trimesh.Trimesh)]
        starts = np.cumsum([0, *(len(part.vertices) for part in meshes[:-1])])
        faces = [np.asarray(part.faces) + start for part, start in zip(meshes, starts, strict=False)]
        points = [np.asarray(part.vertices, dtype=np.float64) for part in meshes]
        made = np.concatenate(points), np.concatenate(faces).astype(np.int32) if faces else None
    except (OSError, MemoryError):
        raise
    except Exception as error:
        # The reader raises whatever its parsers raise on a broken file.
        told = f"{type(error).__name__}: {error}"
        raise InputError(f"{path} can't be understood as 3mf ({told:.200}); export or copy it again.") from None
    if made[1] is None:
        raise InputError(f"{path} holds no facets; give the scan as a triangle mesh.")
    return made[0], made[1], unit


def _unit(path: Path) -> str:
    """The unit that the model states, once the archive is known to be sound. Raises InputError."""
    broken = InputError(f"{path} is not a whole 3MF file; export or copy it again.")
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            if any(member.flag_bits & _ENCRYPTED for member in members):
                raise InputError(f"{path} is encrypted; save it without a password.")
            size = sum(member.file_size for member in members)
            if size > _MOST_SWELLING * max(path.stat().st_size, 100_000):
                raise InputError(
                    f"{path} says that its {path.stat().st_size:,} bytes unpack to {size:,}, which no mesh does; "
                    "export it again."
                )
            name = next(member for member in members if member.filename.lower().endswith(".model"))
            with archive.open(name) as model:
                head = model.read(65536).decode("utf-8", "replace")
    except _BROKEN:
        raise broken from None
    except OSError as error:
        # A decompressor's complaint has no number; the system's has one.
        raise (broken if error.errno is None else error) from None
    if "<!ENTITY" in head:
        raise InputError(f"{path} defines entities in its XML, which no 3MF needs; export it again.")
    found = re.search(r"<(?:\w+:)?model\b[^>]*?\bunit\s*=\s*[\"'](\w+)[\"']", head)
    stated = found.group(1).lower() if found else "millimeter"
    if stated not in _3MF_UNITS:
        raise InputError(f"{path} states the unit {stated!r:.40}, which 3MF does not know; export it again.")
    return _3MF_UNITS[stated]
