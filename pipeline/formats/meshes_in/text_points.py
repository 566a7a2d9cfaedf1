"""Reading points as text: one a line, x y z and whatever follows, between blanks, commas or semicolons."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from pipeline.errors import InputError
from pipeline.files import content_of
from pipeline.formats.meshes_in.text_numbers import (
    ENDED,
    GOOD,
    NO_NUMBER,
    content,
    is_blank,
    line_of,
    next_line,
    number,
)
from pipeline.geometry import Bytes, Floats, Indices
from pipeline.jit import njit

_AXES = ("x", "y", "z")
# Names of the columns of a normal: common practice, no source.
_NORMALS = (("nx", "ny", "nz"), ("normalx", "normaly", "normalz"), ("normal_x", "normal_y", "normal_z"))
_UNIT = 0.02  # by which the length of a direction may be off one


def read_text_points(path: Path) -> tuple[Floats, Floats | None]:
    """Points (n, 3) and their normals (n, 3), of a text of points; None where it has no normals. Raises InputError.

    A first line of words names the columns. Without one the first three numbers of a line are x, y and z; the next
    three, or what stands last, are a normal if they are of length one all through.
    """
    text = content_of(path)
    start, names, width = _head(path, text)
    columns = [names.index(axis) for axis in _AXES] if names else [0, 1, 2]
    told: list[list[int]] = []
    for triple in _NORMALS if names else ():
        if all(name in names for name in triple):
            told = [[names.index(name) for name in triple]]
            break
    if not names and width >= 6:
        told = [[3, 4, 5], [width - 3, width - 2, width - 1]]
    points = _columns(path, text, start, columns)
    for three in told:
        normals = _columns(path, text, start, three)
        lengths = np.linalg.norm(normals[: 1 << 20], axis=1)
        if names or bool((np.abs(lengths - 1.0) < _UNIT).all()):
            return points, normals
    return points, None


def _head(path: Path, text: Bytes) -> tuple[int, list[str], int]:
    """Where the first line of points starts, the names of its columns, if it has any, and how many numbers it has."""
    at, names = int(content(text, 0)), [""][:0]
    for _ in range(2):
        if at >= len(text):
            break
        line = bytes(text[at : min(int(next_line(text, at)), at + 4096)]).decode("utf-8", "replace").lstrip("\ufeff")
        words = [word.strip("\"'").lower() for word in re.split(r"[\s,;]+", line.strip().lstrip("/"))]
        # A comma between columns and in numbers as well makes two words of each number.
        doubled = names and "," in line and "." not in line and len(words) == 2 * len(names)
        if doubled or (";" in line and re.search(r"\d,\d", line)):
            raise InputError(f"{path}: its numbers have a decimal comma; export the points again with decimal points.")
        if len(words) >= 3 and all(_is_number(word) for word in words[:3]):
            return at, names, len(words)
        # Some forms have the number of points on a line of its own.
        if not (len(words) == 1 and _is_number(words[0])):
            names = words
            if not all(axis in names for axis in _AXES):
                raise InputError(
                    f"{path}: its first line '{line.strip():.40}' neither starts with three numbers nor names columns "
                    "x, y and z; export the points as x y z, one a line."
                )
        at = int(content(text, int(next_line(text, at))))
    raise InputError(f"{path} holds no line of three numbers; export the points as x y z, one a line.")


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def _columns(path: Path, text: Bytes, start: int, columns: list[int]) -> Floats:
    where = np.array(columns, dtype=np.intp)
    count, at, code = _table(text, start, where, np.empty((0, 3)))
    out = np.empty((count, 3))
    if code == GOOD:
        count, at, code = _table(text, start, where, out)
    if code != GOOD:
        raise InputError(
            f"{path}: line {line_of(text, at):,} has no {max(columns) + 1} numbers, as the first has; it is cut short "
            "or broken: export or copy it again."
        )
    return out


@njit(cache=True)
def _between(text: Bytes, i: int) -> int:
    """Behind blanks and one comma or semicolon."""
    while i < text.size and is_blank(text[i]):
        i += 1
    if i < text.size and (text[i] == 44 or text[i] == 59):
        i += 1
    while i < text.size and is_blank(text[i]):
        i += 1
    return i


@njit(cache=True)
def _table(text: Bytes, i: int, columns: Indices, out: Floats) -> tuple[int, int, int]:
    """Three columns of all lines from position i on, into `out` as far as it goes: (lines, position, code)."""
    made = int(np.int64(0))
    last = columns.max()
    i = content(text, i)
    while i < text.size:
        for column in range(last + 1):
            if column > 0:
                after = _between(text, i)
                if after == i:
                    return made, i, NO_NUMBER
                i = after
            value, i, code = number(text, i)
            if code != GOOD:
                return made, min(i, text.size - 1), NO_NUMBER if code == ENDED else code
            if made < out.shape[0]:
                for k in range(3):
                    if columns[k] == column:
                        out[made, k] = value
        made += 1
        i = content(text, next_line(text, i))
    return made, i, GOOD
