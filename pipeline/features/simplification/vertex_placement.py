"""Where the vertices of a light mesh lie best: the mean of its distance from the dense one brought to nothing.

A collapse places each vertex by what it saw of its surroundings, and what is left leans to one side where the surface
is curved: thousands of facets together hold too little, or too much. With the facets as they are, the vertices are
moved along their normals to where the sum of squares of the distances is least.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_matrix, identity
from scipy.sparse.linalg import cg

from pipeline.geometry import Floats, Mask
from pipeline.mesh.query import Scene, self_intersections, spread_points
from pipeline.mesh.topology import facet_normals, vertex_normals
from pipeline.values import Surface

_ROUNDS = 2
# Of the limit: no vertex moves farther in a round.
_STEP = 0.15
# What uses more than this share of the limit is put back: between the points looked at there may be more.
_CLEAR = 0.9
# So many points looked at for each that is fitted to.
_LOOKS = 4
# So often what came too far is put back to where it was; then all of it is.
_TAKEN_BACK = 6
# Points for each vertex that may move.
_POINTS = 40
# Weight of staying in place, in points: only what no point holds is kept by it.
_STAY = 0.05


def best_placed(light: Surface, free: Mask, dense: Surface, skin: Mask, limit: float) -> Floats:
    """The vertices (n, 3) of a light mesh, the `free` (n,) ones moved to fit the dense mesh best.

    light, dense  the same surface, coarse and fine; skin (m,) the facets of the dense one that are fitted to
    limit         mm: what moved is nowhere farther from the other mesh than this, or is put back

    Method: the linear part of mesh optimisation (Hoppe, DeRose, Duchamp, McDonald and Stuetzle 1993): least squares
    with each point's place on its facet held. Below, the tip of a tent that was put too low.

    >>> corners = [[0, 0, 0], [2, 0, 0], [2, 2, 0], [0, 2, 0], [1, 1, 0.1]]
    >>> sides = [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]]
    >>> low = Surface.measured(corners, sides)
    >>> true = Surface.measured([*corners[:4], [1, 1, 0.2]], sides)
    >>> free = np.array([False, False, False, False, True])
    >>> best_placed(low, free, true, np.ones(4, bool), 0.5)[4].round(2).tolist()
    [1.0, 1.0, 0.2]
    """
    points = np.array(light.vertices)
    if not free.any() or not skin.any():
        return points
    asked, _ = spread_points(dense.vertices, dense.faces[skin], _POINTS * int(free.sum()))
    corners, truth = dense.vertices[np.unique(dense.faces[skin])], Scene(dense)
    for _ in range(_ROUNDS):
        steps = _steps(points, light, free, asked)
        points = _held(points, steps.clip(-_STEP * limit, _STEP * limit), light, corners, truth, _CLEAR * limit)
    return points


def _steps(points: Floats, light: Surface, free: Mask, asked: Floats) -> Floats:
    """(n, 3) the moves of least squares, along the vertices' normals."""
    _, facet, near = Scene(Surface(points, light.faces, light.origin)).closest(asked)
    corners = light.faces[facet]
    shares = _shares(points[corners], near)
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


def _shares(corners: Floats, points: Floats) -> Floats:
    """(n, 3) shares of the corners (n, 3, 3) at points in their triangles."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    whole = np.cross(b - a, c - a)
    square = np.maximum(np.einsum("ij,ij->i", whole, whole), 1e-300)
    of_b = np.einsum("ij,ij->i", np.cross(points - a, c - a), whole) / square
    of_c = np.einsum("ij,ij->i", np.cross(b - a, points - a), whole) / square
    return np.stack([1.0 - of_b - of_c, of_b, of_c], axis=1).clip(0.0, 1.0)


def _held(points: Floats, steps: Floats, light: Surface, corners: Floats, truth: Scene, limit: float) -> Floats:
    """The points moved by their steps, except where that takes the mesh too far or through itself."""
    steps = steps.copy()
    for _ in range(_TAKEN_BACK):
        moved = points + steps
        touched = np.flatnonzero((np.abs(steps).max(axis=1) > 0)[light.faces].any(axis=1))
        if not len(touched):
            return points
        surface = Surface(moved, light.faces, light.origin)
        off, facet, _ = Scene(surface).closest(corners)
        spread, at = spread_points(moved, light.faces[touched], _LOOKS * len(corners))
        far = [facet[off > limit], touched[at[truth.distance(spread) > limit]]]
        crossing = self_intersections(moved, light.faces, touched)
        bad = np.intersect1d(np.unique(np.concatenate([*far, crossing.ravel()])), touched)
        if not len(bad):
            return moved
        steps[np.unique(light.faces[bad])] = 0.0
    return points
