"""Where surfaces meet each other, and where lines of sight meet them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.geometry import Floats
from pipeline.jit import njit
from pipeline.surfaces.dispatch import distance_gradient
from pipeline.surfaces.kernels import signed_distance, surface_normal
from pipeline.surfaces.kind import Chart
from pipeline.surfaces.registry import KINDS
from pipeline.surfaces.shape import Shape

_FACING = 0.02  # cosine between a line of sight and a normal, under which the surface is seen from the edge
_REACH = 1.5  # sizes of a surface from its axis or centre, where tracing begins
_ROUNDS, _CLOSE, _MET = 200, 1e-10, 1e-7  # steps of tracing; mm


@njit(cache=True)
def move_onto(table: Floats, a: int, b: int, c: int, point: Floats) -> bool:
    """Move `point` (3,) onto surface `a`, or onto what `a`, `b` (and `c`) have in common; -1 means none.

    table  (k, ROW) of the surfaces

    One surface is met exactly; two and three by Newton steps of least length. False, with the point
    where it was, where the surfaces run too nearly along each other or do not meet near the point.
    """
    if a < 0:
        return True
    x, y, z = point[0], point[1], point[2]
    d1, g1, g2, g3 = distance_gradient(table[a], x, y, z)
    if b < 0:
        # Once is exact for all kinds; the second step takes away the rounding of the first.
        for _ in range(2):
            d1, g1, g2, g3 = distance_gradient(table[a], x, y, z)
            x, y, z = x - d1 * g1, y - d1 * g2, z - d1 * g3
        point[0], point[1], point[2] = x, y, z
        return True
    for _ in range(12):
        d1, g1, g2, g3 = distance_gradient(table[a], x, y, z)
        d2, h1, h2, h3 = distance_gradient(table[b], x, y, z)
        gh = g1 * h1 + g2 * h2 + g3 * h3
        if c < 0:
            det = 1.0 - gh * gh
            if det < 0.03:
                return False
            s = (d1 - gh * d2) / det
            t = (d2 - gh * d1) / det
            sx, sy, sz = s * g1 + t * h1, s * g2 + t * h2, s * g3 + t * h3
            worst = max(abs(d1), abs(d2))
        else:
            d3, k1, k2, k3 = distance_gradient(table[c], x, y, z)
            mx, my, mz = h2 * k3 - h3 * k2, h3 * k1 - h1 * k3, h1 * k2 - h2 * k1
            det = g1 * mx + g2 * my + g3 * mz
            if abs(det) < 0.1:
                return False
            sx = (d1 * mx + d2 * (k2 * g3 - k3 * g2) + d3 * (g2 * h3 - g3 * h2)) / det
            sy = (d1 * my + d2 * (k3 * g1 - k1 * g3) + d3 * (g3 * h1 - g1 * h3)) / det
            sz = (d1 * mz + d2 * (k1 * g2 - k2 * g1) + d3 * (g1 * h2 - g2 * h1)) / det
            worst = max(abs(d1), abs(d2), abs(d3))
        x, y, z = x - sx, y - sy, z - sz
        if worst < 1e-9:
            point[0], point[1], point[2] = x, y, z
            return True
    return False


@njit(cache=True)
def row_distances(row: Floats, points: Floats) -> Floats:
    """Signed distance (n,) of points (n, 3) to the surface of a row of a table."""
    out = np.empty(len(points))
    for i in range(len(points)):
        out[i] = distance_gradient(row, points[i, 0], points[i, 1], points[i, 2])[0]
    return out


def height_of(shape: Shape, outward: float, origin: Floats, direction: Floats) -> Callable[[Floats], Floats]:
    """Where a line of sight meets a fitted surface: feet of lines (n, 3) -> steps (n,) mm along `direction`.

    Of several meetings the one nearest to the plane through `origin` counts; nan where the surface is
    missed or seen from behind. outward as for `chart_of`.
    """

    def height(feet: Floats) -> Floats:
        found = np.full(len(feet), np.nan)
        for steps in _meetings(shape, feet, direction):
            with np.errstate(invalid="ignore"):
                facing = outward * (surface_normal(shape, feet + steps[:, None] * direction) @ direction) > _FACING
                depth = (feet - origin) @ direction + steps
                better = ~(np.abs((feet - origin) @ direction + found) <= np.abs(depth))
            take = facing & better & np.isfinite(steps)
            found[take] = steps[take]
        return found

    return height


def _meetings(shape: Shape, feet: Floats, direction: Floats) -> list[Floats]:
    """Steps along the direction at which lines meet the unbounded surface, nan where they don't."""
    meet = KINDS[shape.kind].meetings
    return traced(shape, feet, direction) if meet is None else meet(shape, feet, direction)


def traced(shape: Shape, feet: Floats, direction: Floats) -> list[Floats]:
    """The first meetings from either end of each line, by sphere tracing (Hart 1996): no meeting is stepped over.

    Steps (n,) mm from the feet (n, 3) along the unit direction (3,), nan where there is none. Each step of the tracing
    is the distance from the surface. It begins beyond the surface's size, on both sides of where a line passes its
    axis, if the surface is drawn along that, or else its centre.
    """
    reach = _REACH * (float(shape.major_radius or 0.0) + float(shape.radius or 0.0))
    middle = -((feet - shape.point) @ direction)
    if KINDS[shape.kind].ruled and shape.direction is not None:
        across = direction - (direction @ shape.direction) * shape.direction
        square = float(across @ across)
        if square < 1e-12:
            return []  # along the axis
        middle, reach = -((feet - shape.point) @ across) / square, reach / float(np.sqrt(square))
    out = []
    for way in (1.0, -1.0):
        steps = middle - way * reach
        off = np.full(len(feet), np.inf)
        for _ in range(_ROUNDS):
            off = signed_distance(shape, feet + steps[:, None] * direction)
            steps = steps + way * np.abs(off)
            if np.all((np.abs(off) < _CLOSE) | (way * (steps - middle) > reach)):
                break
        out.append(np.where(np.abs(off) < _MET, steps, np.nan))
    return out


def chart_of(shape: Shape, near: Floats, outward: float) -> Chart:
    """The chart of a fitted surface.

    near     (3,) point of it that the chart is laid out around
    outward  1.0 where the geometric normal points out of the material, -1.0 where into it (bores)
    """
    chart = KINDS[shape.kind].chart(shape, near)
    if outward > 0.0:
        return chart
    mirror = np.array([-1.0, 1.0])
    return Chart(
        lambda points: chart.flatten(points) * mirror, lambda places: chart.lift(places * mirror), chart.period
    )
