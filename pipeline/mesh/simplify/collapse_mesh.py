"""The working copy of a mesh under edge collapse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from pipeline.geometry import Bytes, Floats, Ints, Shorts


class Vertices(NamedTuple):
    """What a kernel knows of each vertex of a `CollapseMesh`."""

    points: Floats
    quadrics: Floats
    carriers: Shorts
    border: Bytes


class CollapseArrays(NamedTuple):
    """Those arrays of a `CollapseMesh` that the kernels work on."""

    vertices: Vertices
    faces: Ints
    label: Ints
    table: Floats
    outward: Floats


@dataclass
class CollapseMesh:
    """A mesh under collapse; arrays are changed in place and only their first parts count.

    points     (n, 3) float64, mm
    faces      (m, 3) int32, faces[f, 0] < 0 once gone
    quadrics   (n, 10) float64, mm2 (xx to zz), mm3, mm4, about each vertex: xx xy xz yy yz zz, linear 3, constant
    carriers   (n, 3) int16 rows of `table`, -1 none
    border     (n,) uint8: 1 where a vertex lies on the border
    still      (n,) uint8: 1 for vertices that sweeps leave alone
    label      (m,) int32 row of `table` that a facet lies on, -1 none
    origin     (m,) uint8 as in `Surface`
    table      (k, ROW) carriers as `surfaces.row_of` packs them
    outward    (k,) 1 where a carrier's facets face along its gradient, -1 where against it
    parent     (n0,) int32: the vertex that stands for each one of the start, or empty

    >>> from pipeline.mesh.simplify import start_collapse
    >>> v, f = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]), np.array([[0, 1, 2]], np.int32)
    >>> free, none = np.full((3, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.array([-1], np.int32), np.zeros(1, np.uint8), free, none)
    >>> work.cut(3, 0)
    >>> work.points.shape, work.faces.shape, work.border.tolist()
    ((3, 3), (0, 3), [1, 1, 1])
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
    outward: Floats
    parent: Ints

    @property
    def arrays(self) -> CollapseArrays:
        """Those of the arrays that kernels work on: the same memory, not copies."""
        vertices = Vertices(self.points, self.quadrics, self.carriers, self.border)
        return CollapseArrays(vertices, self.faces, self.label, self.table, self.outward)

    def cut(self, vertices: int, facets: int) -> None:
        """Forget what lies behind the first parts; copies, so that the large arrays can go."""
        for name in ("points", "quadrics", "carriers", "border", "still"):
            setattr(self, name, getattr(self, name)[:vertices].copy())
        for name in ("faces", "label", "origin"):
            setattr(self, name, getattr(self, name)[:facets].copy())
