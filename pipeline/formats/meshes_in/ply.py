"""Reading PLY, text and binary of either byte order."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import content_of, copied_as_text
from pipeline.formats.meshes_in.text_numbers import GOOD, line_of, next_line, polygons, rows
from pipeline.geometry import Bytes, Indices, Ints, Longs
from pipeline.jit import njit

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
_CORNERS = ("vertex_indices", "vertex_index")
_NORMAL = ("nx", "ny", "nz")


@dataclass(frozen=True)
class _Property:
    """`count` is the type of a list's length, None for a single value."""

    name: str
    type: str
    count: str | None = None


@dataclass(frozen=True)
class _Element:
    name: str
    count: int
    properties: tuple[_Property, ...]

    def place(self, *names: str) -> int:
        """Which property has one of `names`; -1 if none has."""
        return next((i for i, p in enumerate(self.properties) if p.name in names), -1)


@dataclass(frozen=True)
class PlyMesh:
    """points (n, 3) float32 or float64 as in the file, faces (m, 3) into them, the header's comments, and what stands
    beside the facets as uchar `origin`, (m,); None where nothing does, or not all facets were written as triangles.
    scattered  whether the file has points alone, and normals (n, 3) of these, where it tells them."""

    points: NDArray
    faces: Ints
    comments: tuple[str, ...]
    origin: Bytes | None
    scattered: bool = False
    normals: NDArray | None = None


def read_ply(path: Path) -> PlyMesh:
    """The mesh of a PLY file. Raises InputError."""
    data = content_of(path)
    form, elements, start, comments = _header(path, data)
    for element in elements:
        # Not even an empty record takes less than a byte of text, nor does a binary one with a list.
        if not 0 <= element.count <= len(data):
            raise InputError(
                f"{path} is cut short or broken: its header promises {element.count:,} {element.name:.40} records, and "
                f"the file has {len(data):,} bytes; export or copy it again."
            )
    vertex = next((e for e in elements if e.name == "vertex"), None)
    face = next((e for e in elements if e.name == "face"), None)
    if vertex is None or -1 in (columns := [vertex.place(axis) for axis in "xyz"]):
        raise InputError(f"{path} is a PLY without vertices that have x, y and z; export the scan as a mesh.")
    if face is None or face.count == 0 or face.place(*_CORNERS) < 0:
        return _points_alone(path, data, (form, elements, start, comments), columns)
    corners = face.properties[face.place(*_CORNERS)]
    if corners.count is None or "f" in corners.type + corners.count:
        raise InputError(f"{path}: the corners of its facets are no lists of whole numbers; export the scan again.")
    if any("f" in (p.count or "") for e in elements for p in e.properties):
        raise InputError(f"{path}: its header has lists with no whole number of items; export the scan again.")
    if form == "ascii":
        return PlyMesh(*_text(path, data, elements, start, np.array(columns)), comments, None)
    points, faces, origin = _binary(path, data, elements, start, ">" if form == "binary_big_endian" else "<")
    return PlyMesh(points, faces, comments, origin)


def _points_alone(
    path: Path, data: Bytes, header: tuple[str, list[_Element], int, tuple[str, ...]], columns: list[int]
) -> PlyMesh:
    """What a file has that holds no facets."""
    form, elements, start, comments = header
    first = [element for element in elements if element.name != "face"]
    vertex = next(element for element in first if element.name == "vertex")
    told = [vertex.place(axis) for axis in _NORMAL]
    if first[0] is not vertex or any(p.count for p in vertex.properties):
        raise InputError(f"{path}: its points are not what stands first in it, a row of numbers each; export it again.")
    found = []
    for places in (columns, *([] if -1 in told else [told])):
        if form == "ascii":
            found.append(_text(path, data, [vertex], start, np.array(places))[0])
        else:
            order = ">" if form == "binary_big_endian" else "<"
            found.append(_binary(path, data, [vertex], start, order, [vertex.properties[k].name for k in places])[0])
    none = np.empty((0, 3), dtype=np.int32)
    return PlyMesh(found[0], none, comments, None, True, found[1] if len(found) == 2 else None)


def _header(path: Path, data: Bytes) -> tuple[str, list[_Element], int, tuple[str, ...]]:
    head = bytes(data[: 1 << 16])
    # A word at the start of a line: a comment may say it too.
    found = re.search(rb"[\r\n][ \t]*end_header[ \t]*(?:\r\n|\r|\n|$)", head)
    if not head.startswith(b"ply"):
        raise InputError(f"{path} does not start with 'ply', so it is no PLY file; give the scan's mesh file.")
    if found is None:
        raise InputError(f"{path} is cut short or broken: its PLY header does not end; export it again.")
    # A mesh file may close its header's lines as any system does, and the data start right after that mark. Where no
    # other line ends with the byte 10, the one behind the last line belongs to the data.
    start = found.end() - (found[0].endswith(b"\r\n") and b"\n" not in head[: found.end() - 1])
    form = ""
    elements: list[_Element] = []
    comments = []
    for line in head[: found.start()].decode("ascii", "replace").splitlines():
        words = line.split()
        try:
            if words[:1] == ["format"]:
                form = words[1]
            elif words[:1] == ["comment"]:
                comments.append(line.strip().removeprefix("comment "))
            else:
                _declare(words, elements)
        except (IndexError, KeyError, ValueError):
            raise InputError(
                f"{path}: the header line '{line.strip():.60}' makes no sense in a PLY; export the scan again."
            ) from None
    if form not in ("ascii", "binary_little_endian", "binary_big_endian"):
        raise InputError(f"{path}: its PLY header names the form {form!r:.40}, which does not exist; export it again.")
    return form, elements, start, tuple(comments)


def _declare(words: list[str], elements: list[_Element]) -> None:
    """Add what a line of the header declares; other lines say nothing of the data."""
    if words[:1] == ["element"]:
        elements.append(_Element(words[1], int(words[2]), ()))
    elif words[:1] == ["property"]:
        kinds = [f"{_TYPES[w]}" for w in (words[2:4] if words[1] == "list" else words[1:2])]
        new = _Property(words[-1], kinds[-1], kinds[0] if len(kinds) == 2 else None)
        last = elements.pop()
        elements.append(_Element(last.name, last.count, (*last.properties, new)))


def _text(path: Path, data: Bytes, elements: list[_Element], at: int, columns: Indices) -> tuple[NDArray, Ints]:
    points = np.empty((0, 3))
    faces = np.empty((0, 3), dtype=np.int32)
    for element in elements:
        if element.name == "vertex":
            points = np.empty((element.count, 3))
            at, done, code = rows(data, at, element.count, columns, points)
        elif element.name == "face":
            place = element.place(*_CORNERS)
            if any(p.count for p in element.properties[:place]):
                raise InputError(
                    f"{path}: its facets carry another list before their corners, which is not read; "
                    "export it without extra properties."
                )
            faces = np.empty((element.count, 3), dtype=np.int32)
            start = at
            at, done, made, code = polygons(data, start, element.count, place, faces)
            if code == GOOD and made != len(faces):
                faces = np.empty((made, 3), dtype=np.int32)
                polygons(data, start, element.count, place, faces)
        else:
            for _ in range(element.count):
                at = next_line(data, at)
            continue
        if code != GOOD:
            where = f"line {line_of(data, at):,}" if at < len(data) else "its end"
            raise InputError(
                f"{path} is cut short or broken at {where}: {done:,} of the {element.count:,} {element.name} lines "
                "that its header promises can be read; export or copy it again."
            )
    return points, faces


def _binary(
    path: Path, data: Bytes, elements: list[_Element], at: int, order: str, names: Sequence[str] = "xyz"
) -> tuple[NDArray, Ints, Bytes | None]:
    points = np.empty((0, 3), dtype=np.float32)
    faces = np.empty((0, 3), dtype=np.int32)
    origin, start = None, at
    for element in elements:
        if not any(p.count for p in element.properties):
            record = np.dtype([(f"{i}", order + p.type) for i, p in enumerate(element.properties)])
            end = at + record.itemsize * element.count
            _check_length(path, element, end, data, start)
            if element.name == "vertex":
                table = data[at:end].view(record)
                axes = [table[f"{element.place(axis)}"] for axis in names]
                points = np.stack(axes, axis=1).astype(np.result_type(*axes, np.float32).newbyteorder("="))
        else:
            faces_here, origin_here, end = _lists(data, element, at, order)
            _check_length(path, element, end, data, start)
            if element.name == "face":
                faces, origin = faces_here, origin_here
        at = end
    if at < len(data):
        _check_copy(path, start)
    return points, faces, origin


def _check_length(path: Path, element: _Element, end: int, data: Bytes, start: int) -> None:
    if end > len(data):
        _check_copy(path, start)
        raise InputError(
            f"{path} is cut short: its header promises {element.count:,} {element.name} records, which do not fit "
            f"into its {len(data):,} bytes; export or copy it again."
        )


def _check_copy(path: Path, start: int) -> None:
    told = copied_as_text(path, start)
    if told:
        raise InputError(f"{path} is no sound binary PLY: {told}; copy it again as a binary file.")


def _lists(data: Bytes, element: _Element, at: int, order: str) -> tuple[Ints, Bytes | None, int]:
    """Triangles of an element with lists, their origin where all were written as such, and where it ends (beyond the
    data if it is cut short)."""
    place = element.place(*_CORNERS)
    triangles = _triangles(data, element, at, order, place)
    if triangles is not None:
        return triangles
    sizes = np.array([int(p.type[1]) for p in element.properties], dtype=np.int64)
    counts = np.array([int(p.count[1]) if p.count else 0 for p in element.properties], dtype=np.int64)
    big = order == ">"
    made, end = _walk(data, at, element.count, sizes, counts, place, big, np.empty((0, 3), dtype=np.int32))
    faces = np.empty((made if end <= len(data) else 0, 3), dtype=np.int32)
    _walk(data, at, element.count, sizes, counts, place, big, faces)
    return faces, None, end


def _triangles(
    data: Bytes, element: _Element, at: int, order: str, place: int
) -> tuple[Ints, Bytes | None, int] | None:
    """The usual case, records of one size since all facets are triangles; None where that isn't so."""
    if place < 0 or sum(p.count is not None for p in element.properties) != 1:
        return None
    fields: list[tuple] = []
    for i, p in enumerate(element.properties):
        fields += [("corners", order + p.count), ("faces", order + p.type, 3)] if p.count else [(f"{i}", p.type)]
    record = np.dtype(fields)
    end = at + record.itemsize * element.count
    if end > len(data):
        return None
    table = data[at:end].view(record)
    if not (table["corners"] == 3).all():
        return None
    told = element.place("origin")
    known = told >= 0 and element.properties[told].type == "u1"
    return table["faces"].astype(np.int32), table[f"{told}"].copy() if known else None, end


@njit(cache=True)
def _integer(data: Bytes, at: int, size: int, big: bool) -> int:
    """The number in so many bytes, the largest part first or last."""
    value = 0
    for k in range(size):
        value = value * 256 + int(data[at + (k if big else size - 1 - k)])
    return value


@njit(cache=True)
def _fan(data: Bytes, at: int, size: int, length: int, big: bool, out: Ints, made: int) -> int:
    """A polygon of so many corners, numbers of `size` bytes, fanned into `out` behind the triangles made before."""
    for corner in range(2, length):
        if made < out.shape[0]:
            out[made, 0] = _integer(data, at, size, big)
            out[made, 1] = _integer(data, at + (corner - 1) * size, size, big)
            out[made, 2] = _integer(data, at + corner * size, size, big)
        made += 1
    return made


@njit(cache=True)
def _walk(
    data: Bytes, at: int, count: int, sizes: Longs, counts: Longs, place: int, big: bool, out: Ints
) -> tuple[int, int]:
    """Fan the polygons of `count` records into `out` as far as it goes; (triangles there are, end)."""
    made = int(np.int64(0))
    for _ in range(count):
        for p in range(sizes.size):
            if counts[p] == 0:
                at += sizes[p]
                continue
            if at + counts[p] > data.size:
                return made, data.size + 1
            length = _integer(data, at, counts[p], big)
            at += counts[p]
            if at + length * sizes[p] > data.size:
                return made, data.size + 1
            if p == place:
                made = _fan(data, at, sizes[p], length, big, out, made)
            at += length * sizes[p]
    return made, at
