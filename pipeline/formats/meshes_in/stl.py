"""Reading STL, binary and text.

The binary form is read in chunks straight into the welding hash, so that the loose corners of a big file never
stand in memory together.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np

from pipeline.errors import InputError
from pipeline.files import content_of, copied_as_text
from pipeline.formats.meshes_in.text_numbers import ENDED, GOOD, line_of, next_line, number, skip_blanks
from pipeline.geometry import Bytes, Floats, Ints
from pipeline.jit import njit
from pipeline.mesh.repair import Welder, weld
from pipeline.progress import Progress

_HEADER = 84
_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_CHUNK = 1 << 17


def read_stl(path: Path, progress: Progress) -> tuple[Floats, Ints, str | None]:
    """Welded vertices (n, 3), faces (m, 3) in the file's unit, and the file's SHA-256 if it came for free.

    Whether the file is binary is told from its length, not from its first word: many binary files start with
    "solid". Raises InputError.
    """
    size = path.stat().st_size
    with open(path, "rb") as file:
        head = file.read(max(_HEADER, 2048))
    stated = int.from_bytes(head[80:84], "little") if len(head) >= _HEADER else -1
    if stated >= 0 and size == _HEADER + _RECORD.itemsize * stated:
        return _binary(path, stated, progress)
    if _is_text(head):
        if head.lstrip()[:5].lower() != b"solid":
            raise InputError(
                f"{path} is a text file, but not an STL: it does not start with 'solid'; give the scan's mesh file."
            )
        return *_text(path), None
    if stated < 0:
        raise InputError(
            f"{path} is cut short: {size} bytes are less than the header of a binary STL; export or copy it again."
        )
    told = copied_as_text(path)
    if told:
        raise InputError(f"{path} is no sound binary STL: {told}; copy it again as a binary file.")
    there = (size - _HEADER) / _RECORD.itemsize
    if there < stated:
        raise InputError(
            f"{path} is cut short: its header promises {stated:,} facets, but only {int(there):,} are there "
            f"({size:,} bytes instead of {_HEADER + _RECORD.itemsize * stated:,}); export or copy it again."
        )
    raise InputError(
        f"{path} contradicts itself: its header says {stated:,} facets, but it is long enough for {int(there):,} "
        f"({size:,} bytes instead of {_HEADER + _RECORD.itemsize * stated:,}); export it again."
    )


def _is_text(head: bytes) -> bool:
    return b"\0" not in head and sum(b < 9 or 13 < b < 32 for b in head) == 0


def _binary(path: Path, facets: int, progress: Progress) -> tuple[Floats, Ints, str]:
    digest = hashlib.sha256()
    welder = Welder(3 * facets)
    faces = np.empty((facets, 3), dtype=np.int32)
    with open(path, "rb") as file:
        digest.update(file.read(_HEADER))
        done = 0
        while done < facets:
            wanted = _RECORD.itemsize * min(_CHUNK, facets - done)
            raw = file.read(wanted)
            if len(raw) < wanted:
                raise InputError(f"{path} became shorter while it was read; wait until it is written, then try again.")
            digest.update(raw)
            records = np.frombuffer(raw, dtype=_RECORD)
            corners = records["corners"].reshape(-1, 3)
            # The sum is no number where one of them isn't; of large ones it may be none either.
            with np.errstate(over="ignore", invalid="ignore"):
                doubtful = not np.isfinite(corners.sum())
            if doubtful and not np.isfinite(corners).all():
                bad = ~np.isfinite(records["corners"]).all(axis=(1, 2))
                raise InputError(
                    f"{path}: facet {done + int(np.argmax(bad)) + 1:,} has a coordinate that is not a finite number; "
                    "repair or export the scan again."
                )
            faces[done : done + len(records)] = welder.add(corners).reshape(-1, 3)
            done += len(records)
            progress(0.9 * done / facets, "reading facets")
    return welder.vertices(), faces, digest.hexdigest()


_VERTEX = np.frombuffer(b"vertex", dtype=np.uint8)
_END = np.frombuffer(b"endsolid", dtype=np.uint8)


@njit(cache=True)
def _is_at(text: Bytes, i: int, word: Bytes) -> bool:
    """Whether a word, given in lower case, stands at position i."""
    if i + word.size > text.size:
        return False
    same = 0
    while same < word.size and (text[i + same] | 32) == word[same]:
        same += 1
    return same == word.size


@njit(cache=True)
def _corners(text: Bytes, vertex: Bytes, end: Bytes, out: Floats) -> tuple[int, bool, int, int]:
    """Corners of the text into `out` (k, 3) as far as it goes.

    Returns (corners that there are, whether the last solid was ended, position, code).
    """
    count = 0
    ended = False
    i = 0
    # The name of the solid may hold any word: what counts starts a line.
    while i < text.size:
        i = skip_blanks(text, i)
        if _is_at(text, i, vertex):
            i += vertex.size
            ended = False
            for k in range(3):
                value, i, code = number(text, skip_blanks(text, i))
                if code != GOOD:
                    return count, ended, i, code
                if count < out.shape[0]:
                    out[count, k] = value
            count += 1
        elif _is_at(text, i, end):
            ended = True
        i = next_line(text, i)
    return count, ended, i, GOOD


def _text(path: Path) -> tuple[Floats, Ints]:
    text = content_of(path)
    # The seven lines of a facet are at least 86 characters; what is not touched costs no memory.
    corners = np.empty((text.size // 20, 3), dtype=np.float64)
    count, ended, position, code = _corners(text, _VERTEX, _END, corners)
    if code == ENDED or (code == GOOD and (not ended or count % 3)):
        raise InputError(
            f"{path} is cut short: {count // 3:,} whole facets and no 'endsolid' after them; export or copy it again."
        )
    if code != GOOD:
        raise InputError(
            f"{path}: line {line_of(text, position):,} should hold three coordinates and does not; export it again."
        )
    return weld(corners[:count].reshape(-1, 3, 3))
