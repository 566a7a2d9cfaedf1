"""The triangle surface that flows from stage to stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Bytes, Floats, Ints

MEASURED = 0
"""Origin of a facet as scanned."""
FILLED = 1
"""Origin of a facet that was invented to close a gap."""
SNAPPED = 2
"""Origin of a facet that was measured but moved onto a fitted surface."""
ORIGIN_NAMES = ("measured", "filled", "snapped")
"""What the origins are called, by their numbers."""


@dataclass(frozen=True)
class Surface:
    """A welded triangle mesh; never changed in place, each stage returns a new one.

    vertices  (n, 3) float64, mm
    faces     (m, 3) int32, counter-clockwise seen from outside the material
    origin    (m,) uint8: MEASURED as scanned, FILLED invented to close a gap, SNAPPED measured but
              moved onto a fitted surface

    >>> from pipeline.values import FILLED, ORIGIN_NAMES
    >>> square = np.array([[0.0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0]])
    >>> faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    >>> surface = Surface(square, faces, np.array([0, FILLED], dtype=np.uint8))
    >>> surface.facets, [ORIGIN_NAMES[code] for code in surface.origin]
    (2, ['measured', 'filled'])
    """

    vertices: Floats
    faces: Ints
    origin: Bytes

    @staticmethod
    def measured(vertices: NDArray, faces: NDArray) -> Surface:
        """A surface all of whose facets were measured, of vertices (n, 3), mm, and faces (m, 3); cast, not checked.

        >>> Surface.measured([[0, 0, 0], [10, 0, 0], [0, 10, 0]], [[0, 1, 2]]).vertices.dtype
        dtype('float64')
        """
        faces = np.ascontiguousarray(faces, dtype=np.int32)
        return Surface(np.ascontiguousarray(vertices, dtype=np.float64), faces, np.zeros(len(faces), dtype=np.uint8))

    @property
    def is_sound(self) -> bool:
        """Whether its arrays are of these shapes and types, its corners exist and its places are numbers.

        >>> Surface.measured([[0, 0, 0], [10, 0, 0], [0, 10, 0]], [[0, 1, 3]]).is_sound
        False
        """
        v, f, o = self.vertices, self.faces, self.origin
        if not all(isinstance(a, np.ndarray) for a in (v, f, o)) or v.ndim != 2 or f.ndim != 2:
            return False
        if (v.dtype, f.dtype, o.dtype) != (np.float64, np.int32, np.uint8) or (v.shape[1], f.shape[1]) != (3, 3):
            return False
        if o.shape != (len(f),) or (len(f) and (f.min() < 0 or f.max() >= len(v))):
            return False
        return bool(np.isfinite(v).all())

    @property
    def facets(self) -> int:
        """How many facets it has: m."""
        return len(self.faces)
