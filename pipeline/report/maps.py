"""Residual maps: how the scan lies about each fitted surface, unrolled flat.

What has an axis is developed, angle across and depth down; a plane is seen from outside; a sphere is drawn by longitude
and latitude round its mean direction, a tube by the angles round its axis and round itself. A cell holds the mean
of the signed distances of the measured vertices in it, positive on the side away from the material.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image as Picture
from PIL import ImageDraw, ImageFont

from pipeline.geometry import basis_of
from pipeline.mesh.topology import vertex_labels
from pipeline.palette import colour, css, lined
from pipeline.report.charts import round_up
from pipeline.report.words import Words, drawable
from pipeline.surfaces import kind_of, shape_of, signed_distance
from pipeline.values import Feature, Surface

COLUMNS, MOST_ROWS = 120, 90
# Pixels across the picture of a map.
WIDE = 480


Side = tuple[str, float, str]


@dataclass(frozen=True)
class ResidualMap:
    """How the scan lies about one feature, unrolled flat.

    feature       its id
    cells         (rows, columns) mm, not-a-number where nothing was measured
    area          mm2 that was measured
    across, down  what the sides are, how long, and in "mm" or "deg"
    """

    feature: str
    cells: NDArray[np.float64]
    area: float
    across: Side
    down: Side

    def sides(self, words: Words) -> str:
        """In words: what goes across and what down."""
        return f"across: {_side(self.across, words)}; down: {_side(self.down, words)}"


def _side(side: Side, words: Words) -> str:
    what, size, unit = side
    shown = f"{words.length(size, 0.5)} {words.unit}" if unit == "mm" else f"{size:.0f}°"
    return f"{what} {shown}"


def residual_maps(surface: Surface, labels: NDArray[np.int32], features: Sequence[Feature]) -> tuple[ResidualMap, ...]:
    """One map a feature, but none of a feature that no vertex carries alone.

    surface: as cleaned, with `labels` (m,) of its facets: index into `features`, -1 none; scan coordinates, mm.

    >>> from tests.features.made import plane
    >>> places = np.stack([*np.meshgrid(np.arange(3.0), np.arange(3.0)), np.full((3, 3), 0.02)], axis=-1).reshape(-1, 3)
    >>> ring = np.array([0, 1, 2, 5, 8, 7, 6, 3, 0])  # round about the vertex 4
    >>> surface = Surface.measured(places, np.c_[ring[:-1], ring[1:], np.full(8, 4)])
    >>> (cells,) = residual_maps(surface, np.zeros(8, dtype=np.int32), [plane("plane-1", (0, 0, 0), (0, 0, 1))])
    >>> cells.feature, float(np.nanmax(cells.cells)), cells.across
    ('plane-1', 0.02, ('width', 2.0, 'mm'))
    """
    # A vertex on the feature's border lies on the next surface too, or on a worn edge.
    carrier = vertex_labels(surface.faces, labels, len(surface.vertices))
    maps = []
    for index, feature in enumerate(features):
        inner = np.flatnonzero(carrier == index)
        if len(inner):
            maps.append(_map_of(feature, surface.vertices[inner]))
    return tuple(maps)


def _map_of(feature: Feature, points: NDArray[np.float64]) -> ResidualMap:
    shape = shape_of(feature)
    residual = signed_distance(shape, points) * (-1.0 if feature.side == "bore" else 1.0)
    offset = points - feature.point
    if feature.direction is None:
        pole = offset.mean(axis=0)
        axis = pole / max(float(np.linalg.norm(pole)), 1e-12)
    else:
        axis = feature.direction
    first, second = basis_of(axis)
    u, v, w = offset @ first, offset @ second, offset @ axis
    across, down, sides, aspect = _unrolled(feature, u, v, w)
    rows = int(np.clip(round(COLUMNS * aspect), 8, MOST_ROWS))
    reach = (0.0, 360.0) if sides[0][2] == "deg" else (float(across.min()), float(across.max()))
    # Cells smaller than a facet would be holes in the picture, not in the scan.
    columns = int(np.clip(np.sqrt(len(points) / max(aspect, rows / COLUMNS) / 6), 12, COLUMNS))
    rows = max(4, min(rows, round(rows * columns / COLUMNS)))
    cells = _cells(across, down, residual, reach, rows, columns)
    return ResidualMap(feature.id, cells, feature.extent.area, *sides)


def _unrolled(
    feature: Feature, u: NDArray, v: NDArray, w: NDArray
) -> tuple[NDArray, NDArray, tuple[Side, Side], float]:
    """Places across and down of points (n,) u, v, w along the feature's axes; what the sides are, and their ratio."""
    kind = kind_of(feature)
    if kind.flat:
        wide, high = float(np.ptp(u)), float(np.ptp(-v))
        return u, -v, (("width", wide, "mm"), ("height", high, "mm")), high / max(wide, 1e-9)
    across = np.degrees(np.arctan2(v, u)) % 360.0
    if kind.spherical:
        down = np.degrees(np.arctan2(np.hypot(u, v), w))
        middle = ("angle from its middle, 0 to", float(down.max()), "deg")
        return across, down, (("angle round its middle", 360.0, "deg"), middle), 0.4
    if kind.tubular:
        down = np.degrees(np.arctan2(w, np.hypot(u, v) - (feature.major_radius or 0.0)))
        tube = ("angle round the tube", float(np.ptp(down)), "deg")
        return across, down, (("angle round the axis", 360.0, "deg"), tube), 0.3
    deep = float(np.ptp(w))
    aspect = deep / max(2 * np.pi * (feature.radius or 1.0), 1e-9)
    return across, w, (("angle", 360.0, "deg"), ("depth", deep, "mm")), aspect


def _cells(
    across: NDArray, down: NDArray, values: NDArray, reach: tuple[float, float], rows: int, columns: int
) -> NDArray:
    low, high = reach
    column = np.clip(((across - low) / max(high - low, 1e-9) * columns).astype(np.int64), 0, columns - 1)
    top = float(down.min())
    row = np.clip(((down - top) / max(float(np.ptp(down)), 1e-9) * rows).astype(np.int64), 0, rows - 1)
    cell = row * columns + column
    count = np.bincount(cell, minlength=rows * columns)
    total = np.bincount(cell, weights=values, minlength=rows * columns)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, total / np.where(count > 0, count, 1), np.nan).reshape(rows, columns)


def map_limit(maps: Sequence[ResidualMap]) -> float:
    """mm at the ends of the colours of all maps: what 95 % of their cells keep within, rounded up."""
    known = [np.abs(cells.cells[np.isfinite(cells.cells)]) for cells in maps]
    return round_up(float(np.quantile(np.concatenate(known), 0.95)) if known else 0.0)


def map_picture(cells: ResidualMap, limit: float) -> Picture.Image:
    """The bare map, about `WIDE` pixels across; see-through where nothing was measured."""
    scale = max(1, WIDE // cells.cells.shape[1])
    pixels = np.repeat(np.repeat(cells.cells, scale, axis=0), scale, axis=1)
    known = np.isfinite(pixels)
    return Picture.fromarray(np.dstack([lined(pixels, limit), np.where(known, 255, 0).astype(np.uint8)]))


def map_sheet(cells: ResidualMap, limit: float, words: Words) -> Picture.Image:
    """The map with its title, what its sides are and the colour scale; striped where nothing was measured."""
    drawn = map_picture(cells, limit)
    wide, high = drawn.size
    left, top, font = 16, 36, ImageFont.load_default(14)
    sheet = Picture.new("RGB", (WIDE + 2 * left, top + high + 76), colour("paper"))
    pen = ImageDraw.Draw(sheet)
    stripes = np.add.outer(np.arange(high), np.arange(wide)) % 12 < 3
    ground = np.where(stripes[:, :, None], colour("rule"), colour("paper")).astype(np.uint8)
    sheet.paste(Picture.fromarray(ground), (left, top))
    sheet.paste(drawn, (left, top), drawn)
    pen.rectangle((left - 1, top - 1, left + wide, top + high), outline=css("soft"))
    pen.text((left, 10), f"{cells.feature}: scan off the fitted surface", fill=css("ink"), font=font)
    pen.text((left, top + high + 10), drawable(cells.sides(words)), fill=css("ink"), font=font)
    ramp = lined(np.repeat(np.linspace(-1, 1, 150)[None], 16, axis=0), 1.0)
    edge = drawable(f"{words.small(limit)} {words.small_unit}")
    y = top + high + 40
    pen.text((left, y), f"inside by {edge}", fill=css("ink"), font=font)
    start = left + int(pen.textlength(f"inside by {edge} ", font=font))
    sheet.paste(Picture.fromarray(ramp), (start, y))
    pen.text((start + 158, y), f"outside by {edge}", fill=css("ink"), font=font)
    return sheet
