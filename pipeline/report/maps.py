"""Residual maps: how the scan lies about each fitted surface, unrolled flat.

A bore or boss is developed, angle across and depth down; a plane is seen from outside; a sphere is drawn by longitude
and latitude round its mean direction, a torus by the angles round its axis and round its tube. A cell holds the mean
of the signed distances of the measured facets in it, positive on the side away from the material.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.features.kinds import basis_of, signed_distance
from pipeline.features.shape import shape_of
from pipeline.mesh.surface import Surface
from pipeline.values import Feature

COLUMNS, MOST_ROWS = 120, 90


@dataclass(frozen=True)
class ResidualMap:
    """cells (rows, columns) mm, not-a-number where nothing was measured; across, down: what the sides are and their size."""

    feature: str
    cells: NDArray[np.float64]
    across: str
    down: str


def residual_maps(surface: Surface, labels: NDArray[np.int32], features: Sequence[Feature]) -> tuple[ResidualMap, ...]:
    """One map a feature. surface: as cleaned, with `labels` (m,) of its facets; scan coordinates."""
    order = np.argsort(labels, kind="stable")
    starts = np.searchsorted(labels[order], np.arange(len(features) + 1))
    maps = []
    for index, feature in enumerate(features):
        facets = order[starts[index] : starts[index + 1]]
        if len(facets):
            points = surface.vertices[surface.faces[facets]].mean(axis=1)
            maps.append(_map_of(feature, points))
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
    if feature.kind == "plane":
        across, down = u, -v
        wide, high = np.ptp(across), np.ptp(down)
        names = (f"{wide:.0f} mm", f"{high:.0f} mm")
        aspect = high / max(wide, 1e-9)
    else:
        across = np.degrees(np.arctan2(v, u)) % 360.0
        if feature.kind == "sphere":
            down = np.degrees(np.arctan2(np.hypot(u, v), w))
            names = ("angle round the mean direction, 0 to 360 deg", f"angle from it, to {down.max():.0f} deg")
            aspect = 0.4
        elif feature.kind == "torus":
            down = np.degrees(np.arctan2(w, np.hypot(u, v) - (feature.major_radius or 0.0)))
            names = ("angle round the axis, 0 to 360 deg", "angle round the tube")
            aspect = 0.3
        else:
            down = w
            names = ("angle, 0 to 360 deg", f"depth, {np.ptp(down):.1f} mm")
            aspect = np.ptp(down) / max(2 * np.pi * (feature.radius or 1.0), 1e-9)
    rows = int(np.clip(round(COLUMNS * aspect), 8, MOST_ROWS))
    reach = (0.0, 360.0) if feature.kind != "plane" else (float(across.min()), float(across.max()))
    # Cells smaller than a facet would be holes in the picture, not in the scan.
    columns = int(np.clip(np.sqrt(len(points) / max(aspect, rows / COLUMNS) / 3), 12, COLUMNS))
    rows = max(4, min(rows, round(rows * columns / COLUMNS)))
    return ResidualMap(feature.id, _cells(across, down, residual, reach, rows, columns), *names)


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
