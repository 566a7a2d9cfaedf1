"""Lighten to a tolerance: as few facets as can be found that keep a distance, and the proof that they do.

While edges collapse, every vertex of the noise-free surface that is not inside a feature's face is
held to within the tolerance of the light facets near it, and facets on curved features to their chord
error; faces of planes need no watching. Afterwards the two-sided distance is measured exactly;
where it is too large the surroundings are held closer and the collapse is done again.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.features.carry import Target
from pipeline.mesh import collapse
from pipeline.mesh.analytic import distances
from pipeline.mesh.distance import Scene
from pipeline.mesh.surface import Surface
from pipeline.mesh.topology import facet_areas
from pipeline.progress import Progress

# Held points stay within this share of the tolerance: what lies between them may use the rest.
_SHARE = 0.96
# The sweeps before may not use more than this share of the tolerance on any facet.
_SWEEP_SHARE = 0.5
_ROUNDS = 8
_TIGHTER = 0.7
# So many rings of a feature's vertices next to its rim are held as well.
_RINGS = 2
# Where on each light facet its distance to the scan is measured, as shares of its corners.
_PLACES = np.array(
    [[5, 0, 0], [5, 5, 0], [0, 5, 5], [5, 0, 5], [6, 2, 2], [2, 6, 2], [2, 2, 6], [4, 4, 2], [2, 4, 4], [4, 2, 4]],
    dtype=np.float64,
)
_PLACES /= _PLACES.sum(axis=1, keepdims=True)


@dataclass(frozen=True)
class Kept:
    """The lightened mesh and the two-sided maximum, mm, that was measured on it."""

    work: collapse.Work
    deviation: float


def lightened_within(surface: Surface, target: Target, tolerance: float, facets: int, progress: Progress) -> Kept:
    """Collapse the target surface until no edge may go, or `facets` are left.

    The measured two-sided maximum is returned; it can exceed the tolerance only where the rounds of
    mending did not suffice.
    """
    typical = float(np.median(facet_areas(target.vertices, surface.faces)))
    most = (_SWEEP_SHARE * tolerance) ** 2 * typical / 3
    outside = _outside_faces(surface.faces, target.labels, len(target.vertices))
    watched = outside
    for _ in range(_RINGS):
        watched = _grown(surface.faces, watched)
    still = np.zeros(len(watched), dtype=np.bool_)
    reach = np.full(len(watched), _SHARE * tolerance)
    scene = Scene(Surface(target.vertices, surface.faces, surface.origin))
    best: Kept | None = None
    for round_ in range(_ROUNDS):
        progress(0.1 + 0.8 * round_ / _ROUNDS, "collapsing the cheapest edges that keep the tolerance")
        work = collapse.start(
            target.vertices, surface.faces, target.labels, surface.origin, target.carriers, target.table,
            remember=True, still=still,
        )  # fmt: skip
        collapse.sweep_down(work, facets, most=most, sag=_SWEEP_SHARE * tolerance)
        which = np.flatnonzero(watched & (work.parent >= 0)).astype(np.int32)
        leash = collapse.Leash(target.vertices, surface.faces, which, ~outside[which], reach[which], _SHARE * tolerance)
        collapse.finish(work, facets, leash)
        progress(0.1 + 0.8 * (round_ + 0.7) / _ROUNDS, "measuring the distance both ways")
        light = Surface(work.points, work.faces, work.origin)
        forth, facet, _ = Scene(light).closest(target.vertices)
        back, of_facet, dense = _back(scene, light, work.label, target)
        worst = float(max(forth.max(), back.max()))
        if best is None or worst < best.deviation:
            best = Kept(work, worst)
        if worst <= tolerance:
            return best
        bad = np.zeros(light.facets, dtype=np.bool_)
        bad[facet[forth > tolerance]] = True
        bad[of_facet[back > tolerance]] = True
        # A bad facet may be the nearest one to no vertex: those that it should lie on count as well.
        closer = bad[facet]
        closer[surface.faces[dense[back > tolerance]]] = True
        closer = _grown(surface.faces, closer)
        reach[closer] *= _TIGHTER
        watched = watched | closer
        still |= closer
    assert best is not None
    return best


def _back(scene: Scene, light: Surface, label: NDArray, target: Target) -> tuple[NDArray, NDArray, NDArray]:
    """Distances from points on the light mesh, ten to a facet, to the noise-free surface; its facet and the scan's.

    Where the light facet and the scan's facet carry the same feature the surface is the fitted one
    itself, not the chords between the scan's vertices.
    """
    corners = light.vertices[light.faces]
    points = np.einsum("sk,mkd->msd", _PLACES, corners).reshape(-1, 3)
    of_facet = np.repeat(np.arange(light.facets), len(_PLACES))
    distance, dense, _ = scene.closest(points)
    same = np.flatnonzero((label[of_facet] >= 0) & (label[of_facet] == target.labels[dense]))
    order = same[np.argsort(label[of_facet[same]], kind="stable")]
    of_feature = label[of_facet[order]]
    for low, high in pairwise([0, *(np.flatnonzero(np.diff(of_feature)) + 1), len(order)]):
        if low == high:
            continue
        mine = order[low:high]
        fitted = np.abs(distances(target.table[of_feature[low]], points[mine]))
        distance[mine] = np.minimum(distance[mine], fitted)
    return distance, of_facet, dense


@njit(cache=True)
def _outside_faces(faces: NDArray, labels: NDArray, n: int) -> NDArray:
    """Vertices (n,) with a facet that carries no feature, or with facets of different ones."""
    first = np.full(n, -2, dtype=np.int32)
    out = np.zeros(n, dtype=np.bool_)
    for f in range(len(faces)):
        for k in range(3):
            v = faces[f, k]
            if labels[f] < 0 or (first[v] != -2 and first[v] != labels[f]):
                out[v] = True
            first[v] = labels[f]
    return out


@njit(cache=True)
def _grown(faces: NDArray, chosen: NDArray) -> NDArray:
    """The chosen vertices (n,) and their neighbours."""
    out = chosen.copy()
    for f in range(len(faces)):
        if chosen[faces[f, 0]] or chosen[faces[f, 1]] or chosen[faces[f, 2]]:
            for k in range(3):
                out[faces[f, k]] = True
    return out
