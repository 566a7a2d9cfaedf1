"""Reading 3MF, which holds placed parts and states its unit."""

from __future__ import annotations

import html
import io
import posixpath
import re
import zipfile
import zlib
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from urllib.parse import unquote

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import copied_as_text

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
_PLACING = re.compile(rb"<(?:\w+:)?(object|component|item)\b([^<>]*)>")
_OBJECT, _OBJECT_ENDS = re.compile(rb"<(?:\w+:)?object\b"), re.compile(rb"</(?:\w+:)?object\s*>")
_NUMBER = re.compile(rb"(?<![\w:])((?:object)?id)\s*=\s*[\"'](\d+)[\"']")
_PATH = re.compile(rb"(?<![\w:])\w+:path\s*=\s*[\"']([^\"']*)[\"']")
_RELATION = re.compile(rb"<(?:\w+:)?Relationship\b[^<>]*>")
_TARGET, _TYPE = (re.compile(rb"\b" + word + rb"\s*=\s*[\"']([^\"']*)[\"']") for word in (b"Target", b"Type"))
_USUAL_ROOT = "3d/3dmodel.model"
_NAMESPACE = re.compile(rb"(?<![\w:])xmlns(?::[\w.-]+)?\s*=\s*(?:\"[^\"]*\"|'[^']*')")
_RESOURCES = re.compile(rb"</(?:\w+:)?resources\s*>|<(?:\w+:)?resources\b[^<>]*/>")
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

    unit, joined = _unit(path)
    try:
        scene = trimesh.load_scene(path if joined is None else joined, file_type="3mf", process=False)
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


def _unit(path: Path) -> tuple[str, io.BytesIO | None]:
    """The unit that the model states, once the archive is known to be sound, and the archive with all in one part,
    where the model is in several. Raises InputError."""
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
            models = {name: m for m in members if (name := _part_name(m.filename)).endswith(".model")}
            if len(models) < sum(_part_name(m.filename).endswith(".model") for m in members):
                raise InputError(f"{path} holds two models of one name; export it again.")
            root = _root_of(archive, members, models)
            for member in models.values():
                _check_placing(path, _as_utf8(archive.read(member)))
            model = _as_utf8(archive.read(models[root]))
            unit = _stated_unit(path, model)
            others = {
                _part_name(_unescaped(found[1]))
                for tag in _PLACING.finditer(model)
                if tag[1] != b"object" and (found := _PATH.search(tag[2]))
            }
            if not others and models[root].filename.lower() == _USUAL_ROOT:
                return unit, None
            parts = {root: model}
            for other in sorted(others - {root}):
                if other not in models:
                    raise InputError(
                        f"{path}: a part of its model is in {other:.80} of the package, which is not there; export it "
                        "again, as one model."
                    )
                parts[other] = _as_utf8(archive.read(models[other]))
    except _BROKEN:
        told = copied_as_text(path)
        if told:
            raise InputError(f"{path} is no whole 3MF file: {told}; copy it again as a binary file.") from None
        raise broken from None
    except OSError as error:
        # A decompressor's complaint has no number; the system's has one.
        raise (broken if error.errno is None else error) from None
    joined = _joined(path, parts)
    _check_placing(path, joined)
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr("3D/3dmodel.model", joined)
    whole.seek(0)
    return unit, whole


def _part_name(name: str) -> str:
    """As parts of a package are told apart (ISO/IEC 29500-2, 6.2 and 6.3): without regard to case, bytes written as
    %XX or plainly."""
    plain = unquote(name.replace("\\", "/"), errors="replace")
    return posixpath.normpath("/" + plain).lstrip("/").lower()


def _unescaped(text: bytes) -> str:
    return html.unescape(text.decode("utf-8", "replace"))


def _root_of(archive: zipfile.ZipFile, members: list[zipfile.ZipInfo], models: dict[str, zipfile.ZipInfo]) -> str:
    """The name of the model that the package says to start at, else the one that is called as all do."""
    start = next((m for m in members if _part_name(m.filename) == "_rels/.rels"), None)
    for tag in _RELATION.findall(_as_utf8(archive.read(start)) if start is not None else b""):
        target, kind = _TARGET.search(tag), _TYPE.search(tag)
        if target and kind and kind[1].endswith(b"/3dmodel") and (name := _part_name(_unescaped(target[1]))) in models:
            return name
    return next((name for name in models if _USUAL_ROOT in name), next(iter(models)))


def _as_utf8(model: bytes) -> bytes:
    if model[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return model.decode("utf-16", "replace").encode("utf-8", "replace")
    return model


def _stated_unit(path: Path, model: bytes) -> str:
    head = model[:65536].decode("utf-8", "replace")
    found = re.search(r"<(?:\w+:)?model\b[^>]*?\bunit\s*=\s*[\"'](\w+)[\"']", head)
    stated = found.group(1).lower() if found else "millimeter"
    if stated not in _3MF_UNITS:
        raise InputError(f"{path} states the unit {stated!r:.40}, which 3MF does not know; export it again.")
    return _3MF_UNITS[stated]


def _objects(model: bytes) -> Iterator[bytes]:
    at = 0
    while (start := _OBJECT.search(model, at)) and (end := _OBJECT_ENDS.search(model, start.end())):
        at = end.end()
        yield model[start.start() : at]


def _joined(path: Path, parts: dict[str, bytes]) -> bytes:
    """The root model, the first of the parts, with the objects of the others in it, each under a number of its own.

    3MF Production Extension 1.1, chapters 2 and 3.1: a path says in which part of the package the object of that number
    is, may stand in the root model only, and only what the root model builds counts. Raises InputError.
    """
    root = next(iter(parts))
    numbers: dict[tuple[str, bytes], int] = {}
    known: set[tuple[str, bytes]] = set()

    def renumbered(tag: re.Match[bytes], part: str, namespaces: list[bytes]) -> bytes:
        kept, found = tag[2], _PATH.search(tag[2])
        if found is not None and tag[1] != b"object":
            if part != root:
                raise InputError(
                    f"{path}: {part:.80} in the package refers to another part of it, which only the first may; export "
                    "it again, as one model."
                )
            kept = kept.replace(found[0], b"")
            part = _part_name(_unescaped(found[1]))

        def number(stated: re.Match[bytes]) -> bytes:
            one = part, stated[2]
            if tag[1] == b"object":
                known.add(one)
            return b'%s="%d"' % (stated[1], numbers.setdefault(one, len(numbers) + 1))

        kept = _NUMBER.sub(number, kept)
        if tag[1] == b"object":
            kept = b"".join(b" " + name for name in namespaces if name.split(b"=")[0] not in kept) + kept
        return tag[0][: tag.start(2) - tag.start()] + kept + b">"

    made = []
    for part, model in parts.items():
        if _stated_unit(path, model) != _stated_unit(path, parts[root]):
            raise InputError(f"{path}: {part:.80} in the package is in another unit than the rest; export it again.")
        start = re.search(rb"<(?:\w+:)?model\b[^<>]*>", model)
        names = _NAMESPACE.findall(start[0]) if start and part != root else []
        text = model if part == root else b"\n".join(_objects(model))
        made.append(_PLACING.sub(partial(renumbered, part=part, namespaces=names), text))
    for part, name in numbers:
        if (part, name) not in known:
            raise InputError(
                f"{path}: a part of its model is object {name.decode():.20} in {part:.80} of the package, which is not "
                "there; export it again, as one model."
            )
    # Whatever the declaration says that stands before the model, it is UTF-8 by now.
    whole = re.sub(rb"^[^<]*<\?xml.*?\?>", b"", made[0], count=1, flags=re.DOTALL)
    end = _RESOURCES.search(whole)
    if end is None:
        raise InputError(f"{path} can't be understood as 3mf (it has no resources); export or copy it again.")
    closed = end[0] if end[0].startswith(b"</") else b"</" + end[0][1:-2].split()[0] + b">"
    opened = b"" if end[0].startswith(b"</") else end[0][:-2] + b">"
    return b"".join([whole[: end.start()], opened, *made[1:], closed, whole[end.end() :]])


def _check_placing(path: Path, model: bytes) -> None:
    """Raises InputError where objects are made of each other in a circle, too deep or too often, or of entities.

    model  in UTF-8
    """
    if b"<!ENTITY" in model:
        raise InputError(f"{path} defines entities in its XML, which no 3MF needs; export it again.")
    size: dict[bytes, int] = {}
    parts: dict[bytes, list[bytes]] = {}
    placed: list[bytes] = []
    now = b""
    for tag in _PLACING.finditer(model):
        named = re.search(rb"\b(?:object)?id\s*=\s*[\"'](\d+)[\"']", tag[2])
        # An object of another part has another's number: that is followed where all are in one model.
        if named is None or (tag[1] != b"object" and _PATH.search(tag[2])):
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
