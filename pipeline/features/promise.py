"""Lighten to a tolerance: as few facets as can be found that keep a distance, and the proof that they do.

While edges collapse, every vertex of the noise-free surface that is not inside a feature's face is
held to within the tolerance of the light facets near it, and facets on curved features to their chord
error; faces of planes need no watching. Afterwards the two-sided distance is measured exactly;
where it is too large the surroundings are held closer and the collapse is done again.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.features.carry import Target
from pipeline.mesh import collapse
from pipeline.mesh.distance import Scene
from pipeline.mesh.quality import spread_points
from pipeline.mesh.surface import Surface
from pipeline.mesh.topology import facet_areas
from pipeline.progress import Progress

# Held points stay within this share of the tolerance: what lies between them may use the rest.
_SHARE = 0.96
# The sweeps before may not use more than this share of the tolerance on any facet.
_SWEEP_SHARE = 0.5
_ROUNDS = 8
_TIGHTER = 0.75
# So many rings of a feature's vertices next to its rim are held as well.
_RINGS = 2
_SPREAD = 400_000


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
    progress(0.1, "collapsing edges")
    start = collapse.start(
        target.vertices, surface.faces, target.labels, surface.origin, target.carriers, target.table, remember=True
    )
    sag = _SHARE * tolerance
    typical = float(np.median(facet_areas(target.vertices, surface.faces)))
    most = (_SWEEP_SHARE * tolerance) ** 2 * typical / 3
    collapse.sweep_down(start, facets, most=most, sag=_SWEEP_SHARE * tolerance)
    watched = _outside_faces(surface.faces, target.labels, len(target.vertices))
    for _ in range(_RINGS):
        watched = _grown(surface.faces, watched)
    watched &= start.parent >= 0
    reach = np.full(len(watched), _SHARE * tolerance)
    scene = Scene(Surface(target.vertices, surface.faces, surface.origin))
    best: Kept | None = None
    for round_ in range(_ROUNDS):
        progress(0.3 + 0.6 * round_ / _ROUNDS, "collapsing the cheapest edges that keep the tolerance")
        which = np.flatnonzero(watched).astype(np.int32)
        work = copy.deepcopy(start)
        collapse.finish(
            work, facets, collapse.Leash(target.vertices, surface.faces, which, reach[which], sag)
        )
        progress(0.3 + 0.6 * (round_ + 0.7) / _ROUNDS, "measuring the distance both ways")
        light = Surface(work.points, work.faces, work.origin)
        light_scene = Scene(light)
        forth, facet, _ = light_scene.closest(target.vertices)
        points = sample(light)
        back, _, near = scene.closest(points)
        worst = float(max(forth.max(), back.max()))
        if best is None or worst < best.deviation:
            best = Kept(work, worst)
        if worst <= tolerance:
            return best
        far = np.flatnonzero(forth > tolerance)
        bad_facets = np.unique(np.concatenate([facet[far], light_scene.closest(near[back > tolerance])[1]]))
        closer = np.isin(facet, bad_facets)
        reach[closer] *= _TIGHTER
        watched |= closer & (start.parent >= 0)
    assert best is not None
    return best


def sample(light: Surface) -> NDArray[np.float64]:
    """Points on a light mesh for its distance to the scan: corners, middles of edges and facets, and an even spread."""
    corners = light.vertices[light.faces]
    edges = ((corners + np.roll(corners, -1, axis=1)) / 2).reshape(-1, 3)
    spread = spread_points(light.vertices, light.faces, _SPREAD)[0]
    return np.vstack([spread, light.vertices, corners.mean(axis=1), edges])


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
