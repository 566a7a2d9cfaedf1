"""Where the skin of a scan is about a place: the surface that stands for the vertices there.

The nearest of many noisy facets is the proudest one, and coarse facets are chords besides, so a quadric stands for
them. Skin is no quadric either: how much the nearer vertices change it says how far it is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.fitup.bodies import Placed
from pipeline.geometry import Floats, basis_of, unit
from pipeline.mesh.topology import facet_normals, mean_edge

REACH = 2.5  # edges about a place whose vertices tell where the skin is
_LEAST_POINTS = 10
_BEND = np.cos(np.radians(30.0))  # of facets with the place's own, beyond which there is an edge between them
TOUCHING = 1e-6  # mm from a facet that a place lies on
# Of what the weights change, what is still left: a quadric through r^4 over an evenly covered disc, by least squares,
# lies 1/6 too low in its middle where all counts alike, and 0.0611 with tricube weights (integrals worked out here).
_LEFT = 0.0611 / (1.0 / 6.0 - 0.0611)


@dataclass(frozen=True)
class SkinPatch:
    """The skin about a place.

    step   (3,) mm from the place to the skin
    size   mm, standard, that this isn't known better, by how the vertices scatter
    shape  mm, standard, that skin is no quadric: as much as the step allows for that
    """

    step: Floats
    size: float
    shape: float


def skin_patch(placed: Placed, facet: int, place: Floats) -> SkinPatch | None:
    """The quadric through the vertices about a place; None where these are too few, as on an edge.

    The vertices are those of facets that the place's own leads to without a sharp bend, the nearer ones with more
    weight (local regression with tricube weights: Cleveland 1979).
    """
    faces, vertices = placed.body.surface.faces, placed.vertices
    normal = unit(facet_normals(vertices, faces[facet : facet + 1])[0])
    reach = REACH * mean_edge(vertices, faces[facet : facet + 1])
    found, edge = {facet}, [facet]
    while edge:
        around = [int(f) for f in placed.body.neighbours[edge].ravel() if f >= 0 and f not in found]
        around = list(dict.fromkeys(around))
        if not around:
            break
        corners = vertices[faces[around]]
        near = (np.linalg.norm(corners - place, axis=2) < reach).any(axis=1)
        level = facet_normals(vertices, faces[around]) @ normal > _BEND
        edge = [f for f, taken in zip(around, near & level, strict=True) if taken]
        found.update(edge)
    first, second = basis_of(normal)
    facets = np.array(sorted(found), np.int32)
    off = (vertices[np.unique(faces[facets])] - place) / reach
    # Without the place itself, which is the nearest since it stands proud.
    far = np.linalg.norm(off, axis=1)
    off = off[(far < 1.0) & (far > TOUCHING)]
    x, y, z = off @ first, off @ second, off @ normal
    design = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    if len(x) < _LEAST_POINTS or np.linalg.cond(design) > 1e6:
        return None
    even = np.linalg.pinv(design)
    weights = (1.0 - np.linalg.norm(off, axis=1) ** 3) ** 3
    weighted = design * weights[:, None]
    closer = np.linalg.solve(design.T @ weighted, weighted.T)
    # What scatters about it, by the same weights; in shares of the reach.
    left = np.eye(len(z)) - design @ closer
    scatter = float(np.sqrt(weights @ (left @ z) ** 2 / (weights @ (left**2).sum(axis=1))))
    change = closer[0] - even[0]
    middle = closer[0] + _LEFT * change
    return SkinPatch(
        reach * float(middle @ z) * normal,
        reach * scatter * float(np.linalg.norm(middle)),
        reach * _LEFT * abs(float(change @ z)),
    )
