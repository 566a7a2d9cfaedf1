"""The kinds of surface that can be recovered: one file each, found through `KINDS`.

A new kind is a file that fulfils `base.Kind`, an entry here, and a branch in `kernels`.
"""

from __future__ import annotations

from collections.abc import Callable

from pipeline.surfaces import cone, cylinder, plane, sphere, torus
from pipeline.surfaces.kind import Array, Kind, as_points
from pipeline.surfaces.shape import Featured, Shape

KINDS: dict[str, Kind] = {module.KIND.name: module.KIND for module in (plane, cylinder, cone, sphere, torus)}


def kind_of(thing: Shape | Featured) -> Kind:
    """What there is to know of a shape's or a feature's kind."""
    return KINDS[thing.kind]


def names_of(wanted: Callable[[Kind], bool] = bool) -> tuple[str, ...]:
    """The names of the kinds of which something holds, in their order."""
    return tuple(name for name, kind in KINDS.items() if wanted(kind))


def is_bore(feature: Featured) -> bool:
    """Whether a feature is a circular cylinder with the material outside, as a drill or a boring bar leaves."""
    return kind_of(feature).cylindrical and feature.side == "bore"


def signed_distance(shape: Shape, points: Array) -> Array:
    """(n,) orthogonal distance of points (n, 3) from the unbounded surface, mm.

    Positive on the side of the geometric normal: along a plane's direction, away from an axis, a
    centre, or a torus' centre circle.
    """
    return KINDS[shape.kind].distance(shape, points)


def surface_normal(shape: Shape, points: Array) -> Array:
    """(n, 3) unit geometric normals of the surface nearest to the points."""
    return KINDS[shape.kind].normal(shape, points)


def project(shape: Shape, points: Array) -> Array:
    """(n, 3) nearest points on the unbounded surface."""
    points = as_points(points)
    return points - signed_distance(shape, points)[:, None] * surface_normal(shape, points)
