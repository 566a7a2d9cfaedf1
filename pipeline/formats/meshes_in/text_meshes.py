"""Reading OBJ and OFF, the two plain-text mesh forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.errors import InputError
from pipeline.files import content_of
from pipeline.formats.meshes_in.text_numbers import (
    GOOD,
    content,
    corner_of,
    is_blank,
    is_end,
    line_of,
    next_line,
    number,
    polygons,
    rows,
    skip_blanks,
)
from pipeline.geometry import Bytes, Floats, Ints
from pipeline.jit import njit


def read_obj(path: Path) -> tuple[Floats, Ints]:
    """Points (n, 3) and faces (m, 3) of all groups; materials and texture are passed over. Raises InputError."""
    text = content_of(path)
    nothing = np.empty((0, 3)), np.empty((0, 3), dtype=np.int32)
    vertices, triangles, at, code = _obj(text, *nothing)
    points, faces = np.empty((vertices, 3)), np.empty((triangles, 3), dtype=np.int32)
    if code == GOOD:
        vertices, triangles, at, code = _obj(text, points, faces)
    if code != GOOD:
        raise InputError(
            f"{path}: line {line_of(text, at):,} starts like a vertex or a facet, but its numbers can't be read; "
            "export or copy it again."
        )
    if vertices == 0:
        raise InputError(f"{path} holds no vertices, so it is no OBJ mesh; give the scan's mesh file.")
    return points, faces


@njit(cache=True)
def _goes_on(text: Bytes, i: int) -> bool:
    """Whether a backslash at position i takes the next line into this one."""
    return text[i] == 92 and i + 1 < text.size and is_end(text[i + 1])


@njit(cache=True)
def _skip(text: Bytes, i: int) -> int:
    """First position from i on that is no blank, on the same line or on one that it goes on in."""
    while i < text.size:
        if is_blank(text[i]):
            i += 1
        elif _goes_on(text, i):
            after = next_line(text, i)
            # Whether a number that stands on both sides of a break is one number or two, readers don't agree.
            if not is_blank(text[i - 1]) and after < text.size and not is_blank(text[after]):
                break
            i = after
        else:
            break
    return i


@njit(cache=True)
def _next_statement(text: Bytes, i: int) -> int:
    """Start of the line after the one that position i is on, and after those that it goes on in. A comment ends with
    its line: what stands last in one may be the name of a folder."""
    while i < text.size and not is_end(text[i]) and text[i] != 35:
        i = next_line(text, i) if _goes_on(text, i) else i + 1
    return next_line(text, i)


@njit(cache=True)
def _vertex(text: Bytes, i: int, points: Floats, row: int) -> tuple[int, int]:
    """Three coordinates at position i into a row of `points`, if it is there: (position after them, code)."""
    for k in range(3):
        value, i, code = number(text, _skip(text, i))
        if code != GOOD:
            return i, code
        if row < points.shape[0]:
            points[row, k] = value
    return i, GOOD


@njit(cache=True)
def _facet(text: Bytes, i: int, vertices: int, faces: Ints, triangles: int) -> tuple[int, int, int]:
    """The corners at position i, fanned, behind so many triangles: (triangles, position after them, code).

    vertices  how many were read so far
    """
    i = _skip(text, i)
    first = previous = np.int32(0)
    corner = 0
    while i < text.size and not is_end(text[i]) and text[i] != 35:
        value, i, code = number(text, i)
        if code != GOOD:
            return triangles, i, code
        # Numbers count from 1, negative ones back from the vertex read last.
        index = np.int32(corner_of(value - 1.0 if value > 0.0 else vertices + value if value < 0.0 else -1.0))
        while i < text.size and not is_blank(text[i]) and not is_end(text[i]) and not _goes_on(text, i):
            i += 1
        i = _skip(text, i)
        if corner == 0:
            first = index
        elif corner > 1:
            if triangles < faces.shape[0]:
                faces[triangles, 0] = first
                faces[triangles, 1] = previous
                faces[triangles, 2] = index
            triangles += 1
        previous = index
        corner += 1
    return triangles, i, GOOD


@njit(cache=True)
def _obj(text: Bytes, points: Floats, faces: Ints) -> tuple[int, int, int, int]:
    """Vertices and fanned facets into the arrays as far as they go; (vertices, triangles, position, code)."""
    vertices = triangles = i = int(np.int64(0))
    while i < text.size:
        i = skip_blanks(text, i)
        starts = i + 1 < text.size and _skip(text, i + 1) > i + 1
        code = GOOD
        if starts and text[i] == 118:
            i, code = _vertex(text, i + 1, points, vertices)
            vertices += 1
        elif starts and text[i] == 102:
            triangles, i, code = _facet(text, i + 1, vertices, faces, triangles)
        if code != GOOD:
            return vertices, triangles, i, code
        i = _next_statement(text, i)
    return vertices, triangles, i, GOOD


def read_off(path: Path) -> tuple[Floats, Ints]:
    """Points (n, 3) and faces (m, 3); colours and normals are passed over. Raises InputError."""
    text = content_of(path)
    at = content(text, 0)
    word = bytes(text[at : at + 16]).split()[:1]
    if not word or word[0] not in (b"OFF", b"COFF", b"NOFF", b"CNOFF", b"STOFF"):
        raise InputError(f"{path} does not start with 'OFF', so it is no OFF file; give the scan's mesh file.")
    at += len(word[0])
    counts = []
    for _ in range(3):
        value, at, code = number(text, content(text, at))
        if code != GOOD or not 0 <= value < 2**31:
            raise InputError(f"{path}: its counts of vertices and facets can't be read; export it again.")
        counts.append(int(value))
    points = np.empty((min(counts[0], len(text)), 3))
    at, done, code = rows(text, next_line(text, at), counts[0], np.arange(3), points)
    faces = np.empty((min(counts[1], len(text)), 3), dtype=np.int32)
    what, promised = "vertex", counts[0]
    if code == GOOD:
        start, what, promised = at, "facet", counts[1]
        at, done, made, code = polygons(text, start, counts[1], 0, faces)
        if code == GOOD and made != len(faces):
            faces = np.empty((made, 3), dtype=np.int32)
            polygons(text, start, counts[1], 0, faces)
    if code != GOOD:
        where = f"line {line_of(text, at):,}" if at < len(text) else "its end"
        raise InputError(
            f"{path} is cut short or broken at {where}: {done:,} of the {promised:,} {what} lines that it promises "
            "can be read; export or copy it again."
        )
    return points, faces
