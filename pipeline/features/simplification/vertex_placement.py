"""Where the vertices of a light mesh lie best: the mean of its distance from the dense one brought to nothing.

A collapse places each vertex by what it saw of its surroundings, and what is left leans to one side where the surface
is curved: thousands of facets together hold too little, or too much. With the facets as they are, the vertices are
moved along their normals to where the sum of squares of the distances is least.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, identity
from scipy.sparse.linalg import cg

from pipeline.features.simplification.bounded_simplification import Proof
from pipeline.features.simplification.feature_association import Target
from pipeline.geometry import Floats, Ints, Mask
from pipeline.mesh.query import Scene, self_intersections, spread_points
from pipeline.mesh.simplify import CollapseMesh
from pipeline.mesh.topology import facet_normals, vertex_normals
from pipeline.values import Surface

_ROUNDS = 1
# Of the tolerance: no vertex moves farther in a round.
_STEP = 0.3
# So often what came too far is put back to where it was; then all of it is.
_TAKEN_BACK = 25
# Points for each vertex that may move.
_POINTS = 40
# Weight of staying in place, in points: only what no point holds is kept by it.
_STAY = 0.05


@dataclass(frozen=True)
class _Moved:
    """A light mesh as `Proof` measures it."""

    points: Floats
    faces: Ints
    label: Ints
    origin: NDArray[np.uint8]


def best_placed(
    work: CollapseMesh, surface: Surface, target: Target, tolerance: float, shares: Floats | None = None
) -> Floats:
    """The vertices (n, 3) of a lightened mesh, those that carry no feature moved to fit the skin best.

    work, surface, target  as `lightened_within` has and gives them
    tolerance              mm: what would come farther off than this is left where it was
    shares                 of it, as there

    Method: the linear part of mesh optimisation (Hoppe, DeRose, Duchamp, McDonald and Stuetzle 1993): least squares
    with each point's place on its facet held. Below, a sheet pressed to a wave of 0.2 mm.

    >>> from pipeline.features.simplification import lightened_within, on_features
    >>> from pipeline.progress import silent
    >>> flat = np.array([*np.ndindex(41, 9)], float)
    >>> bent = np.column_stack([flat, 0.2 * np.cos(flat[:, 0] / 4)])
    >>> a = np.array([*np.ndindex(40, 8)]) @ [[9], [1]]
    >>> sheet = Surface.measured(bent, np.vstack([a + [0, 9, 10], a + [0, 10, 1]]))
    >>> target = on_features(sheet.vertices, sheet.faces, np.full(640, -1, np.int32), (), 0.1)
    >>> work = lightened_within(sheet, target, 0.1, 4, silent).work
    >>> placed = best_placed(work, sheet, target, 0.1)
    >>> off = [Scene(Surface(p, work.faces, work.origin)).distance(bent).std() for p in (work.points, placed)]
    >>> bool(off[1] < off[0])
    True
    """
    points = np.array(work.points)
    free = work.carriers[:, 0] < 0
    skin = target.labels < 0
    if not free.any() or not skin.any():
        return points
    asked, _ = spread_points(target.vertices, surface.faces[skin], _POINTS * int(free.sum()))
    proof = Proof(surface, target, tolerance, shares)
    for _ in range(_ROUNDS):
        steps = _steps(points, work, free, asked)
        points = _held(points, steps.clip(-_STEP * tolerance, _STEP * tolerance), work, proof)
    return points


def _steps(points: Floats, light: CollapseMesh, free: Mask, asked: Floats) -> Floats:
    """(n, 3) the moves of least squares, along the vertices' normals."""
    _, facet, near = Scene(Surface(points, light.faces, light.origin)).closest(asked)
    corners = light.faces[facet]
    shares = shares_of(points[corners], near)
    normals, along = facet_normals(points, light.faces)[facet], vertex_normals(points, light.faces)
    number = np.cumsum(free) - 1
    lean = np.einsum("nkd,nd->nk", along[corners], normals) * shares * free[corners]
    rows = np.repeat(np.arange(len(asked)), 3)
    matrix = csr_matrix((lean.ravel(), (rows, number[corners].clip(min=0).ravel())), (len(asked), int(free.sum())))
    off = np.einsum("nd,nd->n", asked - near, normals)
    moves, _ = cg((matrix.T @ matrix + _STAY * identity(matrix.shape[1])).tocsr(), matrix.T @ off, rtol=1e-6)
    out = np.zeros_like(points)
    out[free] = moves[:, None] * along[free]
    return out


def shares_of(corners: Floats, points: Floats) -> Floats:
    """(n, 3) shares of the corners (n, 3, 3) at points in their triangles."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    whole = np.cross(b - a, c - a)
    square = np.maximum(np.einsum("ij,ij->i", whole, whole), 1e-300)
    of_b = np.einsum("ij,ij->i", np.cross(points - a, c - a), whole) / square
    of_c = np.einsum("ij,ij->i", np.cross(b - a, points - a), whole) / square
    return np.stack([1.0 - of_b - of_c, of_b, of_c], axis=1).clip(0.0, 1.0)


def _held(points: Floats, steps: Floats, work: CollapseMesh, proof: Proof) -> Floats:
    """The points moved by their steps, except where that takes the mesh too far off or through itself."""
    steps = steps.copy()
    alive = np.arange(len(work.faces), dtype=np.int32)
    # What doesn't move is as far off as it was.
    changed: Mask = np.asarray((np.abs(steps).max(axis=1) > 0)[work.faces].any(axis=1))
    proof.begin(len(work.faces))
    for _ in range(_TAKEN_BACK):
        moved = points + steps
        proof.measure(_Moved(moved, work.faces, work.label, work.origin), alive, changed)
        crossing = self_intersections(moved, work.faces, changed)
        bad = np.union1d(proof.bad(), crossing.ravel())
        stirred = (np.abs(steps).max(axis=1) > 0)[work.faces].any(axis=1)
        back = np.unique(work.faces[bad[stirred[bad]]])
        if not len(back):
            return moved
        steps[back] = 0.0
        changed = np.asarray(np.isin(work.faces, back).any(axis=1))
    return points
