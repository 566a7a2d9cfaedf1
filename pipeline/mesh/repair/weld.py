"""Welding: triangle corners that are equal to the last bit become one vertex.

An open-addressing hash over the coordinates' bits, fed in chunks, so that a file can be read piece by piece
and the corners never stand in memory as a whole. Vertices are numbered in order of first appearance, which
makes the result independent of the chunk size.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import Floats, Ints, Singles
from pipeline.jit import njit

_CHUNK = 1 << 19
# Coordinates as their bits: a file has single or double precision, and so there are two variants of each kernel.
_Bits = NDArray[np.uint32] | NDArray[np.uint64]


@njit(cache=True, inline="always")
def _slot(bits: _Bits, row: int, mask: np.uint64) -> np.int64:
    h = np.uint64(0x9E3779B97F4A7C15)
    for k in range(3):
        h = (h ^ np.uint64(bits[row, k])) * np.uint64(0xFF51AFD7ED558CCD)
        h ^= h >> np.uint64(32)
    return np.int64(h & mask)


@njit(cache=True)
def _insert(bits: _Bits, stored: _Bits, count: int, table: Ints, index: Ints) -> tuple[int, int]:
    """Put the rows of `bits` into the hash, from row `index[-1]` on, until the table or the store is full.

    Returns (rows done, vertices stored).
    """
    mask = np.uint64(table.size - 1)
    limit = min(stored.shape[0], (table.size * 7) // 10)
    done = index[-1]
    for row in range(done, bits.shape[0]):
        slot = _slot(bits, row, mask)
        while True:
            seen = table[slot]
            if seen < 0:
                if count >= limit:
                    return row, count
                for k in range(3):
                    stored[count, k] = bits[row, k]
                table[slot] = count
                index[row] = count
                count += 1
                break
            if stored[seen, 0] == bits[row, 0] and stored[seen, 1] == bits[row, 1] and stored[seen, 2] == bits[row, 2]:
                index[row] = seen
                break
            slot = (slot + 1) & np.int64(mask)
    return bits.shape[0], count


@njit(cache=True)
def _rehash(stored: _Bits, count: int, table: Ints) -> None:
    mask = np.uint64(table.size - 1)
    for row in range(count):
        slot = _slot(stored, row, mask)
        while table[slot] >= 0:
            slot = (slot + 1) & np.int64(mask)
        table[slot] = row


class Welder:
    """Collects points chunk by chunk and gives equal ones the same number.

    points      how many points will come in all, for the first size of the store; more or fewer do no harm
    dtype       float32 or float64: what the points are compared as

    >>> welder = Welder(6)
    >>> welder.add(np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]], np.float32)).tolist()
    [0, 1, 2]
    >>> welder.add(np.array([[1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [-0.0, 1.0, 0.0]], np.float32)).tolist()
    [1, 3, 2]
    >>> welder.vertices().shape
    (4, 3)
    """

    def __init__(self, points: int, dtype: type = np.float32) -> None:
        self._dtype = np.dtype(dtype)
        self._bits = np.dtype(np.uint32 if self._dtype.itemsize == 4 else np.uint64)
        # A closed mesh has six corners a vertex; a soup of loose triangles makes both grow.
        guess = max(points // 5, 1024)
        self._stored = np.empty((guess, 3), dtype=self._bits)
        self._table = np.full(1 << int(np.ceil(np.log2(guess * 1.5))), -1, dtype=np.int32)
        self._count = 0

    def add(self, points: Floats | Singles) -> Ints:
        """The vertex number (n,) of each of `points` (n, 3)."""
        # Adding zero makes -0.0 and 0.0 the same bits.
        bits = (np.asarray(points, dtype=self._dtype) + self._dtype.type(0)).view(self._bits)
        index = np.empty(len(bits) + 1, dtype=np.int32)
        index[-1] = 0
        while True:
            done, self._count = _insert(bits, self._stored, self._count, self._table, index)
            if done == len(bits):
                return index[:-1]
            index[-1] = done
            self._grow()

    def vertices(self) -> Floats:
        """(n, 3) the welded points in order of first appearance."""
        return self._stored[: self._count].view(self._dtype).astype(np.float64)

    def _grow(self) -> None:
        if self._count >= len(self._stored):
            stored = np.empty((len(self._stored) * 3 // 2 + 1, 3), dtype=self._bits)
            stored[: self._count] = self._stored[: self._count]
            self._stored = stored
        if self._count >= (self._table.size * 7) // 10:
            self._table = np.full(self._table.size * 2, -1, dtype=np.int32)
            _rehash(self._stored, self._count, self._table)


def weld_points(points: Floats | Singles) -> tuple[Floats, Ints]:
    """Points (n, 3) to unique points (k, 3) and the index (n,) of each point among them.

    Unique are points that differ in any bit; float32 points are compared as float32. Order is that of first appearance.

    >>> points, index = weld_points(np.array([[2.0, 0.0, 0.0], [1.0, 0.0, 0.0], [2.0, 0.0, 0.0]]))
    >>> points[:, 0].tolist(), index.tolist()
    ([2.0, 1.0], [0, 1, 0])
    """
    dtype = np.float32 if np.asarray(points).dtype == np.float32 else np.float64
    welder = Welder(len(points) * 5, dtype)
    index = np.empty(len(points), dtype=np.int32)
    for start in range(0, len(points), _CHUNK):
        index[start : start + _CHUNK] = welder.add(points[start : start + _CHUNK])
    return welder.vertices(), index


def weld(corners: Floats | Singles) -> tuple[Floats, Ints]:
    """Corners (m, 3, 3) of loose triangles to vertices (n, 3) and faces (m, 3).

    float32 corners are compared as float32. Nothing is moved: corners weld that are equal to the last bit.

    >>> corners = [[[0, 0, 0], [1, 0, 0], [1, 1, 0]], [[0, 0, 0], [1, 1, 0], [0, 1, 0]]]
    >>> vertices, faces = weld(np.array(corners, np.float32))
    >>> vertices.shape, faces.tolist()
    ((4, 3), [[0, 1, 2], [0, 2, 3]])
    """
    dtype = np.float32 if corners.dtype == np.float32 else np.float64
    welder = Welder(3 * len(corners), dtype)
    faces = np.empty((len(corners), 3), dtype=np.int32)
    step = _CHUNK // 3
    for start in range(0, len(corners), step):
        part = corners[start : start + step]
        faces[start : start + step] = welder.add(part.reshape(-1, 3)).reshape(-1, 3)
    return welder.vertices(), faces
