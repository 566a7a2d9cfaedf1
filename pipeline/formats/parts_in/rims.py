"""Facets at the rims of features: a light mesh says of few of them which feature they carry."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.geometry import Ints, Longs, Mask
from pipeline.mesh.topology import facet_neighbours
from pipeline.surfaces import Shape, shape_of, signed_distance
from pipeline.values import Feature, Surface


def grown_labels(surface: Surface, labels: Ints, seen: Mask, features: Sequence[Feature], within: float) -> Ints:
    """(m,) labels, -1 none, of facets with those at the rims of features that lie on these as well.

    surface, labels  (m,) the feature of each facet, -1 none
    seen             (m,) which facets may be a feature's
    within           mm that corners of a facet may lie off the feature's surface

    A facet is taken where it touches one of the feature and all three corners lie on its surface.

    >>> from pipeline.fitup import turned_body
    >>> rod = turned_body("rod", [(0, 20), (50, 20)], 0.01)
    >>> few = np.where(np.arange(len(rod.labels)) % 7 == 0, rod.labels, -1).astype(np.int32)
    >>> bool((grown_labels(rod.surface, few, rod.seen, rod.features, 0.001) == rod.labels).all())
    True
    """
    out = labels.copy()
    neighbours = facet_neighbours(surface.faces, len(surface.vertices))
    shapes = [shape_of(feature) for feature in features]
    refused = np.zeros((0, 2), np.int64)
    while True:
        facets, sides = np.nonzero((neighbours >= 0) & ((out < 0) & seen)[:, None])
        owners = out[neighbours[facets, sides]]
        pairs = np.unique(np.column_stack([facets, owners])[owners >= 0], axis=0).astype(np.int64)
        if len(refused):
            done = np.isin(_as_one(pairs, len(shapes)), _as_one(refused, len(shapes)))
            pairs = pairs[~done]
        if not len(pairs):
            return out
        taken = np.zeros(len(pairs), bool)
        for k in np.unique(pairs[:, 1]):
            mine = pairs[:, 1] == k
            taken[mine] = _on(surface, pairs[mine, 0], shapes[int(k)], within)
        out[pairs[taken, 0]] = pairs[taken, 1]
        refused = np.vstack([refused, pairs[~taken]])


def _as_one(pairs: Longs, of: int) -> Longs:
    return np.asarray(pairs[:, 0] * of + pairs[:, 1], np.int64)


def _on(surface: Surface, facets: Longs, shape: Shape, within: float) -> Mask:
    corners = surface.vertices[surface.faces[facets]].reshape(-1, 3)
    return np.asarray(np.abs(signed_distance(shape, corners)).reshape(-1, 3).max(axis=1) < within)
