"""A light mesh that is too large to show, made smaller for the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.features.simplification.feature_association import on_features
from pipeline.mesh.simplify import finish_collapse, start_collapse, sweep_down
from pipeline.values import Feature, Surface

MOST_FACETS = 100_000


@dataclass(frozen=True)
class Preview:
    """A mesh small enough to show.

    surface    in scan coordinates
    labels     (m,) int32: index of the feature, -1 none
    deviation  (n,) float32 mm of its vertices, or not-a-number
    """

    surface: Surface
    labels: NDArray[np.int32]
    deviation: NDArray[np.float32]


def preview(
    surface: Surface,
    labels: NDArray[np.int32],
    deviation: NDArray[np.float32],
    features: tuple[Feature, ...],
    most: int = MOST_FACETS,
) -> Preview:
    """The light mesh itself where it has at most `most` facets, else one of about that many made from it.

    labels     (m,): index into `features`, -1 none
    deviation  (n,) mm, not-a-number where there is none

    A vertex of the smaller mesh is given the deviation of the light vertex nearest to it.

    >>> facet = Surface.measured([[0, 0, 0], [10, 0, 0], [0, 10, 0]], [[0, 1, 2]])
    >>> shown = preview(facet, np.array([-1], dtype=np.int32), np.zeros(3, dtype=np.float32), ())
    >>> shown.surface is facet  # one facet can be shown
    True
    """
    if surface.facets <= most:
        return Preview(surface, labels, deviation)
    # Its vertices lie on their features already.
    target = on_features(surface.vertices, surface.faces, labels, features, reach=0.05)
    work = start_collapse(target.vertices, surface.faces, target.labels, surface.origin, target.carriers, target.table)
    sweep_down(work, int(1.2 * most))
    finish_collapse(work, most)
    smaller = Surface(work.points, work.faces, work.origin)
    _, nearest = cKDTree(surface.vertices).query(smaller.vertices)
    return Preview(smaller, _with_cast(smaller, work.label, surface, labels, features), deviation[nearest])


def _with_cast(
    smaller: Surface,
    found: NDArray[np.int32],
    surface: Surface,
    labels: NDArray[np.int32],
    features: tuple[Feature, ...],
) -> NDArray[np.int32]:
    """Cast faces carry no vertex, so their facets came without a label: give them that of the light facet nearest."""
    cast = np.array([not feature.machined for feature in features] + [False])
    if not cast.any():
        return found
    bare = np.flatnonzero(found < 0)
    middles = surface.vertices[surface.faces].mean(axis=1)
    _, nearest = cKDTree(middles).query(smaller.vertices[smaller.faces[bare]].mean(axis=1))
    out = found.copy()
    out[bare] = np.where(cast[labels[nearest]], labels[nearest], -1)
    return out
