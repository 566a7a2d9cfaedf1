"""The working copy of a mesh under edge collapse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from pipeline.geometry import Bytes, Floats, Ints, Shorts


class CollapseArrays(NamedTuple):
    """Those arrays of a `CollapseMesh` that the kernels work on."""

    points: Floats
    faces: Ints
    quadrics: Floats
    carriers: Shorts
    border: Bytes
    label: Ints
    table: Floats


@dataclass
class CollapseMesh:
    """A mesh under collapse; arrays are changed in place and only their first parts count.

    points (n, 3) float64; faces (m, 3) int32, faces[f, 0] < 0 once gone; quadrics (n, 10) float64
    about each vertex: xx xy xz yy yz zz, linear 3, constant; carriers (n, 3) int16 rows of `table`,
    -1 none; border (n,) uint8; label (m,) int32 row of `table` that a facet lies on, -1 none;
    origin (m,) uint8; still (n,) uint8: vertices that sweeps leave alone; parent (n0,) int32: the vertex
    that stands for each one of the start, or empty.
    """

    points: Floats
    faces: Ints
    quadrics: Floats
    carriers: Shorts
    border: Bytes
    still: Bytes
    label: Ints
    origin: Bytes
    table: Floats
    parent: Ints

    @property
    def arrays(self) -> CollapseArrays:
        return CollapseArrays(
            self.points, self.faces, self.quadrics, self.carriers, self.border, self.label, self.table
        )

    def cut(self, vertices: int, facets: int) -> None:
        """Forget what lies behind the first parts; copies, so that the large arrays can go."""
        for name in ("points", "quadrics", "carriers", "border", "still"):
            setattr(self, name, getattr(self, name)[:vertices].copy())
        for name in ("faces", "label", "origin"):
            setattr(self, name, getattr(self, name)[:facets].copy())
