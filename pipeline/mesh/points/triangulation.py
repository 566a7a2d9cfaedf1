"""A surface on scattered points, with none of them moved and none added: facets that three stars agree on."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry import Floats, Ints, Mask, area_vectors
from pipeline.mesh.points.pin_holes import without_pin_holes
from pipeline.mesh.points.stars import RING, facets_of, stars_of
from pipeline.mesh.query import VisibilityGrid
from pipeline.mesh.repair import (
    component_orientation,
    facets_by_component,
    inconsistent_facets,
    reversed_facets,
)
from pipeline.mesh.topology import components, facet_areas, facet_neighbours
from pipeline.progress import Progress, silent

_NEIGHBOURS = 20
_AT_A_TIME = 200_000  # points whose neighbours are held at once
# Times the spacing round it that a facet's circle may be in radius. In a lattice of triangles with one point missing
# it is 1, of one with two 1.5; what is wider is taken for a gap.
_REACH = 2.0
_AGREED = 0.9  # share of the area that has to agree about what the scanner told; else it is something else
_JITTER = 1e-5  # of the spacing: by so much ties of a perfect grid are broken, the same way for all stars


class Triangulated(NamedTuple):
    """A surface on points.

    faces   (m, 3) int32: numbers of the points
    sure    whether each sheet's outside is known, by normals or by what can be seen of it
    closed  how many of the facets close pin holes, where neighbouring stars did not agree
    """

    faces: Ints
    sure: bool
    closed: int


def triangulated(points: Floats, normals: Floats | None = None, progress: Progress = silent) -> Triangulated:
    """The facets that scattered points of a scanned surface make with their neighbours.

    points   (n, 3) mm, none twice: three at least
    normals  (n, 3) of any length, out of the material or towards the scanner, where the file tells them: they say which
             way facets face, as long as they agree with each other

    A facet stands where the Delaunay stars of its three corners, each laid out in that point's tangent plane, agree;
    holes that are narrower than the points' spacing can tell are closed on their rims. What is wider stays open. Of
    walls that are thinner than some three spacings the sides are not told apart.

    Method: Funke and Ramos (2002), "Smooth-surface reconstruction in near-linear time"; stars that have to agree:
    Shewchuk (2005), "Star splaying".

    >>> rows = np.array([*np.ndindex(6, 6, 1)], float)
    >>> made = triangulated(rows, np.tile([0.0, 0.0, 1.0], (36, 1)))
    >>> len(made.faces), made.sure  # two a square, counter-clockwise from where the normals point
    (50, True)
    """
    count = len(points)
    rings = np.full((count, RING), -1, dtype=np.int32)
    spacing = np.zeros(count)
    tree = cKDTree(points)
    wanted = min(_NEIGHBOURS, count)
    span = float(np.ptp(points, axis=0).max())
    nudged = points + np.random.default_rng(0).uniform(-1.0, 1.0, points.shape) * (_JITTER * span / np.sqrt(count))
    for first in range(0, count, _AT_A_TIME):
        progress(0.6 * first / count, "neighbours of the points")
        near = tree.query(points[first : first + _AT_A_TIME], wanted, workers=-1)[1].astype(np.int64)
        stars_of(nudged, near.reshape(-1, wanted), first, rings, spacing)
    del tree, nudged
    progress(0.6, "facets of the points")
    faces = np.empty((2 * count + 1000, 3), dtype=np.int32)
    made = facets_of(points, rings, spacing, 3, _REACH, faces)
    if made > len(faces):
        faces = np.empty((made, 3), dtype=np.int32)
        facets_of(points, rings, spacing, 3, _REACH, faces)
    faces = _one_way_round(points, faces[:made].copy())
    progress(0.8, "pin holes")
    whole, agreed = without_pin_holes(points, faces, spacing, _REACH)
    progress(0.9, "outside")
    outward, sure = _outward(points, whole, normals)
    return Triangulated(outward, sure, len(whole) - agreed)


def _one_way_round(points: Floats, faces: Ints) -> Ints:
    """The facets turned so that each sheet's face the same way."""
    neighbours = facet_neighbours(faces, len(points))
    wrong = inconsistent_facets(faces, neighbours, facet_areas(points, faces))
    return reversed_facets(faces, neighbours, wrong)[0]


def _outward(points: Floats, faces: Ints, normals: Floats | None) -> tuple[Ints, bool]:
    """The facets with each sheet's outside out, and whether that could be told of all but crumbs."""
    if not len(faces):
        return faces, True
    faces = _one_way_round(points, faces)
    neighbours = facet_neighbours(faces, len(points))
    labels = components(neighbours)
    wrong: Mask = np.zeros(len(faces), dtype=bool)
    areas = facet_areas(points, faces)
    if normals is not None:
        along = np.einsum("ij,ij->i", area_vectors(points[faces]), normals[faces].sum(axis=1))
        wrong = (np.bincount(labels, along) < 0.0)[labels]
        if areas[(along < 0.0) == wrong].sum() > _AGREED * areas.sum():
            return reversed_facets(faces, neighbours, wrong)[0], True
    grid = VisibilityGrid.of(points, faces)
    unsure = 0.0
    for mine in facets_by_component(labels):
        seen = component_orientation(points, faces if len(mine) == len(faces) else faces[mine], grid)
        wrong[mine] = seen.inward if seen.inward is not None else seen.back > seen.out
        unsure += float(areas[mine].sum()) if seen.inward is None else 0.0
    return reversed_facets(faces, neighbours, wrong)[0], unsure <= 0.05 * float(areas.sum())
