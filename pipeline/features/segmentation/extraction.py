"""From a region of the mesh to a feature: final fit, which way it faces, how much of it was seen."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.features.fitting import Piece, fit
from pipeline.features.segmentation.search import Region, Segmentation
from pipeline.features.uncertainty import SHORT_ARC
from pipeline.geometry import basis_of, gaps_round, unit_rows
from pipeline.lengths import mm, um
from pipeline.mesh.topology import facet_areas
from pipeline.surfaces import Shape, kind_of, unpack
from pipeline.values import Extent, Surface

# Any fixed direction that no part has an axis across, to settle which way an axis points.
_LEANING = np.array([0.2705, 0.4933, 0.8267])
LEAST_ARC = np.radians(50.0)
FLAT_ARC = np.radians(5.0)  # a bow of some hundredth of the width
ALL_ROUND = np.radians(240.0)
MANY = 1000  # vertices
NARROW = 3.5  # edges
NARROW_RING = 2.0
# Of a region's area in facets that lie in it with all three corners; kinds that bend both ways bend to anything.
NET_RULED, NET_BENT = 0.4, 0.6
ROUNDED_EDGE = 6.0  # edges across a strip of short arc that is taken for a rounded edge
_GAP = 4.0  # edges without a vertex make a hole in an arc


@dataclass(frozen=True)
class ScanPiece(Piece):
    """A piece found on a scan. form: what stands out of the noise of one that stands all the same, in words."""

    region: Region = field(kw_only=True)
    form: str | None = None


def settled(ground: Segmentation, region: Region) -> ScanPiece:
    """Fit a region's core on all its vertices and measure what was seen of it."""
    points = ground.vertices[region.core]
    result = fit(region.kind.name, points, region.kind.unpack(region.packed), tolerance=1e-4 * ground.sigma)
    shape = turned(result.shape, region.sign)
    extent = seen(ground, region, shape)
    side = side_of(shape, region.sign)
    return ScanPiece(shape, side, replace(result, shape=shape), points, extent, region=region)


def side_of(shape: Shape, sign: float) -> str | None:
    """Which side the material is on, from whether the facets' normals agree with the geometric ones."""
    return None if kind_of(shape).flat else ("boss" if sign > 0 else "bore")


def piece_of_facets(
    surface: Surface, kind: str, packed: NDArray[np.float64], sign: float, facets: NDArray[np.int64]
) -> Piece:
    """Fit a face of an exact tessellation to the corners of its facets."""
    vertices = surface.vertices[np.unique(surface.faces[facets])]
    start = unpack(kind, packed)
    result = fit(kind, vertices, start, robust=False, tolerance=1e-9 * float(np.ptp(vertices, axis=0).max()))
    shape = turned(result.shape, sign)
    area = float(facet_areas(surface.vertices, surface.faces[facets]).sum())
    # Rulings lie as far apart as the facets are wide.
    extent = _extent(vertices, shape, area, np.radians(50.0))
    extent = replace(extent, facets=len(facets))
    return Piece(shape, side_of(shape, sign), replace(result, shape=shape), vertices, extent)


def too_little(ground: Segmentation, piece: ScanPiece, whole: float) -> str | None:
    """Why too little of a surface was seen to name it; None where enough was.

    `whole`: mm2 of facets with all corners in the region. The vertices that happen to lie on a surface that runs
    through a rough one make a net rather than a patch.
    """
    edge = float(ground.edge[piece.region.members].mean())
    extent, kind = piece.extent, kind_of(piece.shape)
    if whole < (NET_RULED if kind.ruled else NET_BENT) * extent.area:
        return f"scattered: only {100 * whole / extent.area:.0f} % of its area in whole facets"
    if kind.flat:
        width = _flat_width(ground, piece)
        narrow = width < NARROW * edge
        return f"a strip {mm(width, '.1f')} wide, which is {width / edge:.1f} of the scan's edges" if narrow else None
    if extent.arc is not None and extent.arc < LEAST_ARC:
        return bow(piece) or f"only {np.degrees(extent.arc):.0f} degrees of arc seen"
    ring = _ring_width(piece)
    if ring is not None and extent.length is not None and extent.arc is not None:
        if ring < NARROW_RING * edge:
            return f"a ring {mm(ring, '.1f')} wide, which is {ring / edge:.1f} of the scan's edges"
        # The scanner rounds every edge over: seen finely enough, that is a cylinder along the edge.
        across = extent.area / max(extent.length, edge)
        if extent.arc < SHORT_ARC and across < ROUNDED_EDGE * edge:
            wide = f"{mm(across, '.1f')} wide, which is {across / edge:.1f} of the scan's edges"
            return f"a rounded edge: {np.degrees(extent.arc):.0f} degrees of arc, {wide}"
    return None


def breadth(piece: Piece) -> float:
    """How wide, mm, a piece is: a ring along its axis, another one as if it were square."""
    square = float(np.sqrt(piece.extent.area))
    width = _ring_width(piece)
    return square if width is None else min(width, square)


def narrowest(ground: Segmentation, piece: ScanPiece) -> float:
    """The lesser, mm, of a piece's two sizes: its length and what it measures round its axis, or a plane's sides."""
    if kind_of(piece.shape).flat:
        return _flat_width(ground, piece)
    round_it = piece.extent.area / piece.extent.length if piece.extent.length else np.inf
    return float(min(breadth(piece), round_it))


def _flat_width(ground: Segmentation, piece: ScanPiece) -> float:
    """Width, mm, of a plane's vertices, as if they filled a rectangle."""
    spread = np.cov(ground.vertices[piece.region.members].T)
    return float(np.sqrt(12.0 * max(np.linalg.eigvalsh(spread)[1], 0.0)))


def _ring_width(piece: Piece) -> float | None:
    """Width, mm, of a piece that goes round an axis, its area over the length of its arc; None for another one."""
    extent, shape = piece.extent, piece.shape
    if extent.length is None or not extent.arc:
        return None
    return extent.area / (extent.arc * (shape.major_radius or shape.radius or 1.0))


def bow(piece: Piece) -> str | None:
    """What a face that is all but flat is off a plane; None for one that curves, or is one.

    Nobody turns or mills so flat an arc, while cast faces warp like that as they cool: common practice, no source.
    """
    arc, radius = piece.extent.arc, piece.shape.major_radius or piece.shape.radius
    if arc is None or radius is None or arc > FLAT_ARC:
        return None
    sagitta, width = radius * (1.0 - np.cos(0.5 * arc)), 2.0 * radius * np.sin(0.5 * arc)
    return f"form: bowed by {um(float(sagitta))} over {mm(float(width), '.0f')}"


def all_round(piece: ScanPiece) -> bool:
    """Whether so much of a surface goes round its axis, on many vertices, that chance can't have made it."""
    arc, axis = piece.extent.arc, piece.shape.direction
    if axis is None or arc is None or arc < SHORT_ARC or len(piece.region.core) < MANY:
        return False
    return 2.0 * np.pi - float(_steps(piece.points - piece.shape.point, axis).max()) > ALL_ROUND


def turned(shape: Shape, sign: float) -> Shape:
    """A plane's normal out of the material; an axis the same way in every run. What tapers keeps its way."""
    kind = kind_of(shape)
    if shape.direction is None or kind.tapered:
        return shape
    flip = sign < 0 if kind.flat else float(shape.direction @ _LEANING) < 0
    return replace(shape, direction=-shape.direction) if flip else shape


def seen(ground: Segmentation, region: Region, shape: Shape) -> Extent:
    """How much of a surface its region covers; its facets are counted when all regions are known."""
    area = float(ground.share[region.members].sum())
    gap = _GAP * float(ground.edge[region.members].mean()) / (shape.major_radius or shape.radius or 1.0)
    return _extent(ground.vertices[region.members], shape, area, gap)


def extent_of(points: NDArray[np.float64], shape: Shape, area: float, edge: float) -> Extent:
    """How much of a surface points (n, 3) that lie on it cover; mean edge and area, mm and mm2; facets are not counted.

    >>> turn = np.linspace(0.0, np.pi, 50)
    >>> arc = np.stack([5.0 * np.cos(turn), 5.0 * np.sin(turn), np.linspace(0.0, 8.0, 50)], axis=1)
    >>> half = extent_of(arc, Shape('cylinder', np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0), 120.0, 0.5)
    >>> round(half.arc, 6) == round(np.pi, 6), half.length
    (True, 8.0)
    """
    return _extent(points, shape, area, _GAP * edge / (shape.major_radius or shape.radius or 1.0))


def _extent(points: NDArray[np.float64], shape: Shape, area: float, gap: float) -> Extent:
    if shape.direction is None:
        return Extent(area, 0, arc=_cap(points, shape))
    if kind_of(shape).flat:
        return Extent(area, 0, corners=_corners(points - shape.point, shape.direction))
    offset = points - shape.point
    along = offset @ shape.direction
    low, high = float(along.min()), float(along.max())
    return Extent(area, 0, high - low, arc_of(offset, shape.direction, gap), (low, high))


def _corners(offset: NDArray[np.float64], normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """(4, 3) mm, of a rectangle in the plane through zero round points (n, 3), along their principal axes."""
    basis = basis_of(normal)
    flat = offset @ basis.T
    _, axes = np.linalg.eigh(np.cov(flat.T))
    places = flat @ axes
    (x0, y0), (x1, y1) = places.min(axis=0), places.max(axis=0)
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ axes.T @ basis


def arc_of(offset: NDArray[np.float64], axis: NDArray[np.float64], gap: float) -> float:
    """Angle about the axis, rad, that points (n, 3) relative to it cover; holes wider than `gap` rad are left out."""
    steps = _steps(offset, axis)
    return float(2.0 * np.pi - steps[steps > gap].sum())


def _steps(offset: NDArray[np.float64], axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angles about the axis, rad, between neighbours of points (n, 3) relative to it."""
    u, v = basis_of(axis)
    return gaps_round(np.arctan2(offset @ v, offset @ u))


def _cap(points: NDArray[np.float64], shape: Shape) -> float:
    rays = unit_rows(points - shape.point)
    middle = rays.mean(axis=0)
    length = float(np.linalg.norm(middle))
    if length < 1e-6:
        return float(2.0 * np.pi)
    return float(2.0 * np.arccos(np.clip(np.quantile(rays @ (middle / length), 0.01), -1.0, 1.0)))
