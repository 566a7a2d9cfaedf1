"""Chords of a light mesh along edges that its scan cut off: what lies within the scan there is brought out to it.

A light mesh is held within its share of the tolerance, but where nearly all of that is lost at an edge a fifth is left
to the chords along it, and borders are made fit by other facets. The ends of such a chord are moved outwards, by no
more than a part of the tolerance: no facet more, where holding the mesh closer still takes many.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter

from pipeline.features.simplification.vertex_placement import shares_of
from pipeline.geometry import Floats, Indices, Ints, Mask, box_of
from pipeline.mesh.query import Scene, grid_points, self_intersections
from pipeline.mesh.topology import edge_lengths, facet_normals, vertex_normals
from pipeline.values import Surface

# Of the spacing: a scan that may have cut off less than this has no edge there near a right angle.
_LEAST = 0.55
# Of the spacing: how far from a place what may be cut off is looked for, and how far apart places are looked at.
_NEAR, _PITCH = 2.0, 0.8
# Of the tolerance: what lies within the scan and what that may lack come to no more; that deep nothing is moved.
_MOST, _LEFT = 0.96, 0.08
# Of the tolerance: a vertex moves so far in a round, and in all; and comes no farther out of the scan.
_STEP, _WAY, _OUTSIDE = 0.12, 0.24, 0.2
_ROUNDS = 3
# Of the tolerance: what stands out of the scan so far has no room left.
_FULL = 0.7
# Cells along the longest side, at most, by which places beside such edges are told.
_CELLS = 256
# A place says nothing of its facet's free corners where they have less of it than this.
_OWN = 0.3


def brought_out(
    light: tuple[Floats, Ints], skin: Mask, free: Mask, dense: Surface, lost: Floats, spacing: float, tolerance: float
) -> Floats:
    """The light mesh's vertices (n, 3), some of them moved outwards along their normals.

    light         vertices (n, 3) mm and faces (m, 3)
    skin, free    (m,) its facets of skin, (n,) its vertices that may move
    dense, lost   the scan that it was made from, and mm (k,) that it may have cut off at each vertex, as `cut_off`
    spacing       mm: the mean length of the scan's edges
    tolerance     mm: of the skin

    Below, a ridge of a square bar whose middle vertex lies 0.3 mm deep.

    >>> ends = [[x, y, z] for x in range(9) for y, z in ((-4, -4), (0, 0), (4, -4))]
    >>> a = np.array([*np.ndindex(8, 2)]) @ [[3], [1]]
    >>> faces = np.vstack([a + [0, 3, 4], a + [0, 4, 1]]).astype(np.int32)
    >>> scan = Surface.measured(ends, faces)
    >>> bent = scan.vertices - [[0.0, 0.0, 0.3 * (x == 4 and z == 0)] for x, _, z in ends]
    >>> lost = np.where(scan.vertices[:, 2] == 0, 0.6, 0.0)
    >>> out = brought_out((bent, faces), np.ones(32, bool), np.ones(27, bool), scan, lost, 1.0, 0.5)
    >>> (out - bent)[13].round(2).tolist()
    [0.0, 0.0, 0.12]
    """
    points, faces = light
    near = np.flatnonzero(lost > _LEAST * spacing)
    if not len(near) or not skin.any():
        return points
    scene, normals = Scene(dense), facet_normals(dense.vertices, dense.faces)
    _, found, _ = Scene(Surface.measured(points, faces)).closest(dense.vertices[near])
    beside = np.zeros(len(points), dtype=np.bool_)
    beside[faces[found]] = True
    asked = np.flatnonzero(skin & beside[faces].any(axis=1))
    way, full = np.zeros(len(points)), np.zeros(len(points), dtype=np.bool_)
    # Facets that were asked, into how many steps, and mm that each may move before it can stand out as far as it may.
    known, parted, room = np.zeros(len(faces), np.bool_), np.zeros(len(faces), np.int64), np.zeros(len(faces))
    about = _About(dense.vertices[near], _NEAR * spacing + tolerance)
    for _ in range(_ROUNDS):
        known[asked] = True
        longest = edge_lengths(points, faces).reshape(-1, 3).max(axis=1)
        steps = np.ceil(longest / (_PITCH * spacing)).astype(np.int64) + 1
        places, part = grid_points(points, faces[asked], steps[asked])
        some = about.may_reach(places)
        places, at = places[some], asked[part[some]]
        off, facet, foot = scene.closest(places)
        within = np.einsum("ij,ij->i", places - foot, normals[facet]) < -0.5 * off
        places, at, off, facet, foot = (row[within] for row in (places, at, off, facet, foot))
        corners = dense.faces[facet]
        close = np.linalg.norm(dense.vertices[corners] - foot[:, None], axis=2) <= _NEAR * spacing
        lacks = (lost[corners] * close).max(axis=1, initial=0.0)
        deep = off - np.maximum(_MOST * tolerance - lacks, _LEFT * tolerance)
        wrong = (deep > 1e-6) & (lacks > _LEAST * spacing)
        if not wrong.any():
            break
        corner = faces[at[wrong]]
        share = shares_of(points[corner], places[wrong]) * free[corner]
        told = share.sum(axis=1) > _OWN
        step = np.zeros(len(points))
        each = share / np.maximum((share**2).sum(axis=1), _OWN**2)[:, None] * deep[wrong, None]
        np.maximum.at(step, corner[told].ravel(), each[told].ravel())
        step[full] = 0.0
        step = _allowed(points, step, way, scene, normals, tolerance)
        # Corners of what stands out as far as it may stay where they are.
        due = np.flatnonzero(known & (step > 0)[faces].any(axis=1) & ((parted != steps) | (room < 0)))
        there, part = grid_points(points, faces[due], steps[due])
        off, facet, foot = scene.closest(there)
        out = (off > _FULL * tolerance) & (np.einsum("ij,ij->i", there - foot, normals[facet]) > 0)
        full[faces[due[part[out]]]] = True
        parted[due], room[due] = steps[due], _FULL * tolerance
        np.minimum.at(room, due[part], _FULL * tolerance - off)
        step[full] = 0.0
        along = vertex_normals(points, faces)
        while True:
            moved = points + step[:, None] * along
            crossing = self_intersections(moved, faces, np.asarray((step > 0)[faces].any(axis=1)))
            back = np.unique(faces[crossing.ravel()])
            back = back[step[back] > 0]
            if not len(back):
                break
            step[back] = 0.0
        points, way = moved, way + step
        room -= step[faces].max(axis=1)
        stirred = np.asarray((step > 0)[faces].any(axis=1))
        stirred[at[wrong]] = True
        asked = np.flatnonzero(skin & stirred)
    return points


class _About:
    """Cells round points (n, 3), by which what may be within reach of one of them is told."""

    def __init__(self, points: Floats, reach: float) -> None:
        self._low, high = box_of(points)
        self._cell = max(reach, float((high - self._low).max()) / _CELLS)
        # A cell more on each side takes the points' neighbours, and one more all that is beyond.
        taken = np.zeros(((high - self._low) / self._cell).astype(np.int64) + 5, dtype=np.bool_)
        taken[tuple(self._cells(points, taken.shape))] = True
        self._taken = maximum_filter(taken, 3)

    def _cells(self, places: Floats, size: tuple[int, ...]) -> list[Indices]:
        return [
            (np.floor((places[:, d] - self._low[d]) / self._cell).clip(-2, size[d] - 3) + 2).astype(np.intp)
            for d in range(3)
        ]

    def may_reach(self, places: Floats) -> Mask:
        """(k,) which places (k, 3) may be within reach: all that are, and some farther off."""
        return np.asarray(self._taken[tuple(self._cells(places, self._taken.shape))])


def _allowed(points: Floats, step: Floats, way: Floats, scene: Scene, normals: Floats, tolerance: float) -> Floats:
    """(n,) the steps cut short where vertices have gone their way (n,), or stand out of the scan far enough."""
    step = np.minimum(step.clip(max=_STEP * tolerance), (_WAY * tolerance - way).clip(min=0.0))
    some = np.flatnonzero(step > 0)
    off, facet, foot = scene.closest(points[some])
    outside = np.where(np.einsum("ij,ij->i", points[some] - foot, normals[facet]) > 0, off, 0.0)
    step[some] = np.minimum(step[some], (_OUTSIDE * tolerance - outside).clip(min=0.0))
    return step
