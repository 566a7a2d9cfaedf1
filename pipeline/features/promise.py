"""Lighten to a tolerance: as few facets as can be found that keep a distance, and the proof that they do.

While edges collapse, every vertex of the noise-free surface that is not inside a feature's face is
held to within the tolerance of the light facets near it, and facets on curved features to their chord
error; faces of planes need no watching. Afterwards the two-sided distance is measured exactly;
where it is too large the surroundings are held closer and the collapse is done again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.features.carry import Target, distance_to_target
from pipeline.mesh import collapse
from pipeline.mesh.distance import Scene
from pipeline.mesh.quality import grid_points
from pipeline.mesh.surface import Surface
from pipeline.mesh.topology import facet_areas
from pipeline.progress import Progress

# Held points stay within this share of the tolerance: what lies between them may use the rest.
_SHARE = 0.93
# The sweeps before may not use more than this share of the tolerance on any facet.
_SWEEP_SHARE = 0.5
_ROUNDS = 8
_TIGHTER = 0.7
# What uses more than this share of the tolerance is mended too: between the points looked at there may be more.
_CLEAR = 0.95
# Steps between those points on the light facets, in units of the scan's facet size.
_PITCH = 0.7
# So many rings of a feature's vertices next to its rim are held as well.
_RINGS = 2


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
    pitch = _PITCH * float(np.sqrt(typical))
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
        points, of_facet = grid_points(light.vertices, light.faces, pitch)
        back, dense = distance_to_target(scene, target, points, work.label[of_facet])
        worst = float(max(forth.max(), back.max()))
        if best is None or worst < best.deviation:
            best = Kept(work, worst)
        if worst <= _CLEAR * tolerance:
            return best
        bad = np.zeros(light.facets, dtype=np.bool_)
        bad[facet[forth > _CLEAR * tolerance]] = True
        bad[of_facet[back > _CLEAR * tolerance]] = True
        # A bad facet may be the nearest one to no vertex: those that it should lie on count as well.
        closer = bad[facet]
        closer[surface.faces[dense[back > _CLEAR * tolerance]]] = True
        closer = _grown(surface.faces, closer)
        reach[closer] *= _TIGHTER
        watched = watched | closer
        still |= closer
    assert best is not None
    return best


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
