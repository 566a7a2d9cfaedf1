"""The triangle surface that flows from stage to stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Bytes, Floats, Ints

MEASURED = 0
FILLED = 1
SNAPPED = 2
ORIGIN_NAMES = ("measured", "filled", "snapped")


@dataclass(frozen=True)
class Surface:
    """A welded triangle mesh; never changed in place, each stage returns a new one.

    vertices  (n, 3) float64, mm
    faces     (m, 3) int32, counter-clockwise seen from outside the material
    origin    (m,) uint8: MEASURED as scanned, FILLED invented to close a gap, SNAPPED measured but
              moved onto a fitted surface
    """

    vertices: Floats
    faces: Ints
    origin: Bytes

    @staticmethod
    def measured(vertices: NDArray, faces: NDArray) -> Surface:
        """A surface all of whose facets were measured; arrays are cast, not checked."""
        faces = np.ascontiguousarray(faces, dtype=np.int32)
        return Surface(np.ascontiguousarray(vertices, dtype=np.float64), faces, np.zeros(len(faces), dtype=np.uint8))

    @property
    def facets(self) -> int:
        return len(self.faces)
