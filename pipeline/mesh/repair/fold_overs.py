"""Facets that lie turned over in their surroundings: found, and set right by turning an edge."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.mesh.topology import edge_lengths, facet_neighbours, facet_normals


def folded_facets(points: NDArray, faces: NDArray, neighbours: NDArray | None = None) -> NDArray[np.bool_]:
    """Facets (m,) that face against those round them, weighted by the edges they share."""
    if neighbours is None:
        neighbours = facet_neighbours(faces, len(points))
    normals = facet_normals(points, faces)
    facing = np.einsum("ij,ikj->ik", normals, normals[neighbours])
    out: NDArray[np.bool_] = (np.where(neighbours < 0, 1.0, facing) * edge_lengths(points, faces)).sum(axis=1) < 0
    return out


def unfold(points: NDArray, faces: NDArray, kind: NDArray) -> None:
    """Turn the longest edge of each thin folded facet, in place, where both facets are of the same kind >= 0 (m,).

    A corner that slipped over the opposite edge lies right again once that edge runs from it to the corner beyond.
    """
    neighbours = facet_neighbours(faces, len(points))
    normals = facet_normals(points, faces)
    used: set[int] = set()
    for f in np.flatnonzero(folded_facets(points, faces, neighbours) & (kind >= 0)):
        k = int(np.argmax(edge_lengths(points, faces[f : f + 1])[0]))
        g = int(neighbours[f, k])
        if g < 0 or kind[g] != kind[f] or used & {int(f), g, *map(int, neighbours[f]), *map(int, neighbours[g])}:
            continue
        a, b, c = faces[f, k], faces[f, (k + 1) % 3], faces[f, (k + 2) % 3]
        beyond = [v for v in faces[g] if v not in (a, b)]
        joined = len(beyond) == 1 and (faces[(faces == c).any(axis=1)] == beyond[0]).any()
        if len(beyond) != 1 or joined:
            continue
        turned = np.array([[c, a, beyond[0]], [beyond[0], b, c]], dtype=faces.dtype)
        if (facet_normals(points, turned) @ normals[g] > 0).all():
            faces[f], faces[g] = turned
            used |= {int(f), g}
