"""Facets that are hardly more than a line, taken out of a light mesh, so that its file's precision can't spoil it.

A short side is collapsed; where all sides are long a corner lies next to the side over from it, and that side is turned
(an edge flip: Lawson 1977). The surface moves by less than the height of the facet.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Mask
from pipeline.mesh.simplify.collapse_mesh import CollapseMesh
from pipeline.mesh.topology import edge_lengths, facet_areas, facet_normals, vertex_facets

# Taking one out may make another.
_ROUNDS = 12
# So many units in the last place of single precision a facet's height has at least.
_UNITS = 16.0


def least_height(points: Floats) -> float:
    """The least height, mm, that facets over points (n, 3) mm keep when they are written in single precision.

    Taken is the precision of a coordinate as large as the points' whole extent: where the mesh will lie in its file
    isn't known yet, but it won't lie far from the origin of a part.

    >>> least_height(np.array([[1000.0, 0.0, 0.0], [1300.0, 0.0, 0.0]])) == 16 * 2.0**-15
    True
    """
    extent = float(np.linalg.norm(np.ptp(points, axis=0))) if len(points) else 0.0
    return _UNITS * float(np.spacing(np.float32(extent)))


def take_out_slivers(work: CollapseMesh, least: float) -> Mask:
    """Take out facets whose height is under `least` mm; which facets (m,) of what is left changed.

    The work is changed in place, and stays an oriented manifold. What can't be taken out without harm stays.

    >>> from pipeline.mesh.simplify import start_collapse
    >>> v = np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [1.0, 1e-9, 0.0], [1.0, -1.0, 0.0], [1.0, 1.0, 0.0]])
    >>> f = np.array([[0, 1, 2], [1, 0, 3], [0, 2, 4], [2, 1, 4]], np.int32)
    >>> free, none = np.full((5, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(4, -1, np.int32), np.zeros(4, np.uint8), free, none)
    >>> take_out_slivers(work, 1e-4).tolist(), work.faces.tolist()
    ([True, True, False, False], [[0, 3, 2], [3, 1, 2], [0, 2, 4], [2, 1, 4]])
    """
    changed = np.zeros(len(work.faces), dtype=np.bool_)
    for _ in range(_ROUNDS):
        height = _heights(work.points, work.faces)
        bad = np.flatnonzero(height < least)
        if not len(bad):
            break
        bench = _Bench(work, least, height)
        for f in bad[np.argsort(height[bad])]:
            bench.mend(int(f))
        if not bench.mended:
            break
        changed |= bench.changed
        changed = changed[~bench.gone]
        _keep(work, ~bench.gone)
    return changed


def _heights(points: Floats, faces: Ints) -> Floats:
    """(m,) mm, of each facet over its longest side."""
    longest = edge_lengths(points, faces).reshape(-1, 3).max(axis=1)
    out: Floats = 2.0 * facet_areas(points, faces) / np.maximum(longest, 1e-300)
    return out


def _keep(work: CollapseMesh, kept: Mask) -> None:
    """Forget facets, and the vertices that none is left of."""
    used = np.unique(work.faces[kept])
    number = np.full(len(work.points), -1, dtype=np.int32)
    number[used] = np.arange(len(used), dtype=np.int32)
    work.faces = number[work.faces[kept]]
    work.label, work.origin = work.label[kept], work.origin[kept]
    for name in ("points", "quadrics", "carriers", "border", "still"):
        setattr(work, name, getattr(work, name)[used])


class _Bench:
    """One round: what is near a facet that was mended stays as it is until the next one."""

    def __init__(self, work: CollapseMesh, least: float, height: Floats) -> None:
        self._work, self._least, self._height = work, least, height
        self._first, self._facets = vertex_facets(work.faces, len(work.points))
        self._busy = np.zeros(len(work.points), dtype=np.bool_)
        self.gone = np.zeros(len(work.faces), dtype=np.bool_)
        self.changed = np.zeros(len(work.faces), dtype=np.bool_)
        self.mended = 0

    def mend(self, f: int) -> None:
        """Take a facet out if that can be done."""
        work = self._work
        if self._busy[work.faces[f]].any():
            return
        length = edge_lengths(work.points, work.faces[f : f + 1])[0]
        if (length.min() < self._least and self._collapse(f, int(np.argmin(length)))) or self._turn(
            f, int(np.argmax(length))
        ):
            self.mended += 1

    def _round(self, v: int) -> Ints:
        return self._facets[self._first[v] : self._first[v + 1]]

    def _done(self, facets: Ints) -> None:
        self.changed[facets] = True
        self._busy[self._work.faces[facets]] = True

    def _collapse(self, f: int, k: int) -> bool:
        """Let one end of side k of facet f take over from the other."""
        work, faces = self._work, self._work.faces
        ends = int(faces[f, k]), int(faces[f, (k + 1) % 3])
        stays, goes = sorted(ends, key=lambda v: (-int(work.border[v]), -int((work.carriers[v] >= 0).sum())))
        mine, theirs = self._round(goes), self._round(stays)
        shared = np.intersect1d(mine, theirs)
        # The link condition (Dey et al. 1999).
        common = np.setdiff1d(np.intersect1d(faces[mine], faces[theirs]), ends)
        both = bool(work.border[stays] and work.border[goes])
        if self._busy[faces[mine]].any() or len(common) != len(shared) or len(shared) != (1 if both else 2):
            return False
        if any(len(self._round(int(w))) <= (2 if work.border[w] else 3) for w in common):
            return False
        kept = np.setdiff1d(mine, shared)
        moved = np.where(faces[kept] == goes, stays, faces[kept]).astype(faces.dtype)
        across = np.einsum("ij,ij->i", facet_normals(work.points, faces[kept]), facet_normals(work.points, moved))
        if (across[self._height[kept] >= self._least] <= 0.0).any():
            return False
        self._busy[faces[mine]] = True
        faces[kept] = moved
        self.gone[shared] = True
        self._done(kept)
        return True

    def _turn(self, f: int, k: int) -> bool:
        """Turn side k of facet f, which the third corner lies next to."""
        work, faces = self._work, self._work.faces
        a, b, c = (int(faces[f, (k + i) % 3]) for i in range(3))
        across = np.setdiff1d(np.intersect1d(self._round(a), self._round(b)), [f])
        if len(across) != 1:
            return self._open(f, c) if not len(across) else False
        g = int(across[0])
        d = int(np.setdiff1d(faces[g], [a, b])[0])
        if self._busy[d] or d == c or (faces[self._round(c)] == d).any():
            return False
        turned = np.array([[a, d, c], [d, b, c]], dtype=faces.dtype)
        new = _heights(work.points, turned)
        facing = facet_normals(work.points, turned) @ facet_normals(work.points, faces[g : g + 1])[0]
        if new.min() <= self._height[f] or (self._height[g] >= self._least and (facing <= 0.0).any()):
            return False
        faces[f], faces[g] = turned
        work.label[f], work.origin[f] = work.label[g], work.origin[g]
        self._done(np.array([f, g]))
        return True

    def _open(self, f: int, c: int) -> bool:
        """Take a facet away that lies along the border with its longest side."""
        if self._work.border[c]:
            return False
        self._work.border[c] = 1
        self.gone[f] = True
        self._busy[self._work.faces[f]] = True
        return True
