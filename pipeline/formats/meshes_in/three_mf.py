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
# How deep objects may lie in each other, and how many times its own text what is placed may come to: a plate of copies
# is within that, what was made to swell or to lead in a circle is not.
_DEEPEST, _MOST_COPIES, _SMALL = 32, 20, 2_000_000
_PLACING = re.compile(rb"<(?:\w+:)?(object|component|item)\b([^>]*)>")
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
        told = " ".join(f"{type(error).__name__}: {error}".split())
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
            for member in members:
                if member.filename.lower().endswith(".model"):
                    _check_placing(path, archive.read(member))
    except _BROKEN:
        raise broken from None
    except OSError as error:
        # A decompressor's complaint has no number; the system's has one.
        raise (broken if error.errno is None else error) from None
    found = re.search(r"<(?:\w+:)?model\b[^>]*?\bunit\s*=\s*[\"'](\w+)[\"']", head)
    stated = found.group(1).lower() if found else "millimeter"
    if stated not in _3MF_UNITS:
        raise InputError(f"{path} states the unit {stated!r:.40}, which 3MF does not know; export it again.")
    return _3MF_UNITS[stated]


def _check_placing(path: Path, model: bytes) -> None:
    """Raises InputError where objects are made of each other in a circle, too deep or too often, or of entities."""
    if model[:2] in (b"\xff\xfe", b"\xfe\xff"):
        model = model.decode("utf-16", "replace").encode("utf-8", "replace")
    if b"<!ENTITY" in model:
        raise InputError(f"{path} defines entities in its XML, which no 3MF needs; export it again.")
    size: dict[bytes, int] = {}
    parts: dict[bytes, list[bytes]] = {}
    placed: list[bytes] = []
    now = b""
    for tag in _PLACING.finditer(model):
        named = re.search(rb"\b(?:object)?id\s*=\s*[\"'](\d+)[\"']", tag[2])
        if named is None:
            continue
        if tag[1] == b"object":
            now = named[1]
            parts[now] = []
            end = model.find(b"object>", tag.end())
            size[now] = (end if end >= 0 else len(model)) - tag.end()
        elif tag[1] == b"component":
            parts.setdefault(now, []).append(named[1])
        else:
            placed.append(named[1])
    # What each object comes to with all that it holds, the innermost first; a level a turn, so a circle never ends.
    whole: dict[bytes, int] = {}
    for _ in range(_DEEPEST):
        ready = [one for one in parts if one not in whole and all(k in whole or k not in parts for k in parts[one])]
        if not ready:
            break
        whole |= {one: size.get(one, 0) + sum(whole.get(k, 0) for k in parts[one]) for one in ready}
    if len(whole) < len(parts):
        raise InputError(
            f"{path} is made of objects that hold each other in a circle, or more than {_DEEPEST} deep; export the "
            "scan as one mesh."
        )
    if sum(whole.get(one, 0) for one in placed) > _MOST_COPIES * len(model) + _SMALL:
        raise InputError(f"{path} places its objects over and over; export the scan as one mesh.")
