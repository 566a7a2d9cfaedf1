"""Whether a made part is fit to be made: valid for the kernel, watertight as facets, nowhere too thin."""

from __future__ import annotations

import numpy as np

from pipeline.fitup import Body
from pipeline.fitup.made import on_bed
from pipeline.geometry import Floats
from pipeline.mesh.topology import facet_areas, facet_normals

_SPACING = 1.5  # mm between rays, about
_MOST = 400_000
_IN = 1e-3  # mm below a facet where its ray begins
_FACING = np.cos(np.radians(60.0))  # of a wall's two sides: what is steeper is a corner


def thinnest(body: Body, seed: int = 0) -> tuple[float, Floats]:
    """mm of the thinnest wall and where it is, (3,): by rays into the metal, square to facets, from places spread over
    them evenly; a ray ends a wall where what it meets faces it within 60 degrees.

    >>> from pipeline.fitup import turned_body
    >>> round(thinnest(turned_body("disc", [(0, 30), (4, 30)], 0.0))[0], 4)
    4.0
    """
    vertices, faces = body.surface.vertices, body.surface.faces
    areas = facet_areas(vertices, faces)
    count = int(np.clip(areas.sum() / _SPACING**2, 2000, _MOST))
    rng = np.random.default_rng(seed)
    chosen = rng.choice(len(faces), count, p=areas / areas.sum())
    a, b = np.sort(rng.random((2, count)), axis=0)
    weights = np.column_stack([a, b - a, 1.0 - b])
    places = np.einsum("ij,ijk->ik", weights, vertices[faces[chosen]])
    normals = facet_normals(vertices, faces)
    ways = -normals[chosen]
    met, far = body.scene.first(places + _IN * ways, ways)
    wall = far + _IN
    is_wall = np.isfinite(far) & (met >= 0)
    is_wall[is_wall] &= np.einsum("ij,ij->i", normals[met[is_wall]], ways[is_wall]) > _FACING
    k = int(np.argmin(np.where(is_wall, wall, np.inf)))
    return float(wall[k]), places[k]


def lies_on(body: Body, bed: tuple[float, float], grow: float = 1.0) -> tuple[float, float] | None:
    """Length and width, mm, of a body as it lies on a printer's bed, its own z upwards, turned so that it fits best;
    None where it fits a bed of that length and width. grow: what its lengths are multiplied by before.

    >>> from pipeline.fitup import turned_body
    >>> disc = turned_body("disc", [(0, 30), (4, 30)], 0.0)
    >>> lies_on(disc, (40.0, 31.0)), tuple(round(side) for side in lies_on(disc, (40.0, 29.0)))
    (None, (30, 30))
    """
    return on_bed(grow * body.surface.vertices[:, :2], bed)
