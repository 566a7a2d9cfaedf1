"""Compiled loops over points for any kind, told by its code; the small solver of the fits; and what is asked of shapes.

The solver is Levenberg and Marquardt's, on orthogonal distances (Shakarji 1998, J. Res. NIST 103, 633-641).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np

from pipeline.geometry import Floats, Indices, Mask, damped_step
from pipeline.jit import njit, prange
from pipeline.surfaces.dispatch import WIDEST, apply_step, begin, evaluate, fill_rows, gradient
from pipeline.surfaces.kind import Chart
from pipeline.surfaces.registry import KINDS, unpack
from pipeline.surfaces.shape import PACKED, Shape, as_points, pack

Equations: TypeAlias = tuple[Floats, Floats, float]  # as `normal_equations` gives them

_MANY = 40_000  # below that waking the threads costs more than they save
_CHUNKS = 64  # fixed, so that sums don't depend on the number of threads
_AT_ONCE = 64  # points whose derivatives lie in the fastest cache
_FACING = 0.02  # cosine between a line of sight and a normal, under which the surface is seen from the edge
_REACH = 1.5  # sizes of a surface from its axis or centre, where tracing begins
_ROUNDS, _CLOSE, _MET = 200, 1e-10, 1e-7  # steps of tracing; mm


@njit(cache=True)
def _distances(code: int, s: Floats, points: Floats, low: int, high: int, out: Floats) -> None:
    rows = np.empty((WIDEST, _AT_ONCE))
    for a in range(low, high, _AT_ONCE):
        b = min(a + _AT_ONCE, high)
        fill_rows(code, s, points, a, b, rows, out[a:b])


@njit(cache=True, parallel=True)
def _distances_wide(code: int, s: Floats, points: Floats, out: Floats) -> None:
    n = len(points)
    for c in prange(_CHUNKS):
        _distances(code, s, points, c * n // _CHUNKS, (c + 1) * n // _CHUNKS, out)


@njit(cache=True)
def distances(code: int, s: Floats, points: Floats) -> Floats:
    """(n,) signed orthogonal distances, mm, of points (n, 3) from a packed shape.

    code  of its kind; ValueError where no kind has it
    s     (PACKED,)

    >>> ball = pack(Shape("sphere", np.zeros(3), radius=5.0))
    >>> distances(KINDS["sphere"].code, ball, np.array([[8.0, 0, 0], [0, 4, 0]])).tolist()
    [3.0, -1.0]
    """
    out = np.empty(len(points))
    if len(points) > _MANY:
        _distances_wide(code, s, points, out)
    else:
        _distances(code, s, points, 0, len(points), out)
    return out


@njit(cache=True)
def gradients(code: int, s: Floats, points: Floats) -> Floats:
    """(n, 3) unit normals of a packed shape (PACKED,) at points (n, 3); code of its kind, ValueError where none has it.

    >>> ball = pack(Shape("sphere", np.zeros(3), radius=5.0))
    >>> gradients(KINDS["sphere"].code, ball, np.array([[8.0, 0, 0], [0, 4, 0]])).tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
    """
    out = np.empty((len(points), 3))
    for i in range(len(points)):
        _, out[i, 0], out[i, 1], out[i, 2] = gradient(code, s, points[i, 0], points[i, 1], points[i, 2])
    return out


@njit(cache=True)
def jacobians(code: int, s: Floats, points: Floats, width: int) -> Floats:
    """(n, width) derivatives of the distances of points (n, 3) by the local parameters."""
    out = np.empty((len(points), width))
    row = np.empty(WIDEST)
    for i in range(len(points)):
        evaluate(code, s, points[i, 0], points[i, 1], points[i, 2], row)
        for j in range(width):
            out[i, j] = row[j]
    return out


@njit(cache=True, fastmath={"reassoc", "contract"})
def _gather(
    code: int, s: Floats, points: Floats, weights: Floats, low: int, high: int, width: int, total: Floats
) -> None:
    """Add the normal matrix, right side and weighted squares of points[low:high] into total, row by row."""
    # One piece of memory: to get and give back three takes as long as a dozen points.
    rows = np.empty((WIDEST + 3, _AT_ONCE))
    away, weighted = rows[WIDEST + 1], rows[WIDEST + 2]
    for a in range(low, high, _AT_ONCE):
        m = min(_AT_ONCE, high - a)
        fill_rows(code, s, points, a, a + m, rows, away)
        rows[width, :m] = away[:m]
        at = 0
        for j in range(width + 1):
            for i in range(m):
                weighted[i] = rows[j, i] * weights[a + i]
            for k in range(j + 1):
                inner = 0.0
                for i in range(m):
                    inner += weighted[i] * rows[k, i]
                total[at] += inner
                at += 1


@njit(cache=True, parallel=True)
def _gather_wide(code: int, s: Floats, points: Floats, weights: Floats, width: int, total: Floats) -> None:
    parts = np.zeros((_CHUNKS, len(total) + 8))  # padded against false sharing
    n = len(points)
    for c in prange(_CHUNKS):
        _gather(code, s, points, weights, c * n // _CHUNKS, (c + 1) * n // _CHUNKS, width, parts[c])
    for c in range(_CHUNKS):
        for j in range(len(total)):
            total[j] += parts[c, j]


@njit(cache=True)
def normal_equations(code: int, s: Floats, points: Floats, weights: Floats, width: int) -> Equations:
    """J'WJ (k, k), J'Wd (k,) and d'Wd of the weighted distances: Gauss-Newton's normal equations.

    code, s          code of a kind (ValueError where none has it) and a packed shape (PACKED,) of it
    points, weights  (n, 3) mm, (n,)
    width            k, how many local parameters the kind has

    A plane's first is the shift along its normal, by which every distance falls alike:

    >>> floor = pack(Shape("plane", np.zeros(3), np.array([0.0, 0.0, 1.0])))
    >>> points, weights = np.array([[0.0, 0.0, 2.0], [0.0, 0.0, 4.0]]), np.ones(2)
    >>> matrix, right, squares = normal_equations(KINDS["plane"].code, floor, points, weights, 3)
    >>> float(matrix[0, 0]), float(right[0]), squares
    (2.0, -6.0, 20.0)
    """
    total = np.zeros(width * (width + 1) // 2 + width + 1)
    if len(points) > _MANY:
        _gather_wide(code, s, points, weights, width, total)
    else:
        _gather(code, s, points, weights, 0, len(points), width, total)
    matrix, right = np.empty((width, width)), np.empty(width)
    at = 0
    for j in range(width):
        for k in range(j + 1):
            matrix[j, k] = matrix[k, j] = total[at]
            at += 1
    for j in range(width):
        right[j] = total[at]
        at += 1
    return matrix, right, total[at]


@njit(cache=True)
def refine(
    code: int, s: Floats, points: Floats, weights: Floats, slots: Indices, free: Mask, iterations: int, tolerance: float
) -> tuple[int, bool]:
    """Levenberg-Marquardt on weighted orthogonal distances, in place; (iterations used, converged).

    code, s          code of a kind (ValueError where none has it) and a start (PACKED,) of it, which is changed
    points, weights  (n, 3) mm, (n,)
    slots, free      (k,) numbers of the kind's local parameters (`Kind.slots`), and which of them may change
    iterations       the most steps
    tolerance        mm

    Converged when no free parameter moves any point by more than `tolerance` mm, by the size of its
    own column. Marquardt's scaling makes mm and radians comparable.

    >>> ball, s = KINDS["sphere"], pack(Shape("sphere", np.array([0.3, -0.2, 0.1]), radius=4.0))
    >>> points = 5.0 * np.concatenate([np.eye(3), -np.eye(3)])
    >>> steps, converged = refine(ball.code, s, points, np.ones(6), ball.slots, np.ones(4, dtype=bool), 50, 1e-9)
    >>> converged, round(float(s[12]), 9)
    (True, 5.0)
    """
    at = normal_equations(code, s, points, weights, len(slots))
    steps, converged, _ = refine_on(code, s, (points, weights), slots, free, iterations, tolerance, at)
    return steps, converged


@njit(cache=True)
def refine_on(
    code: int,
    s: Floats,
    data: tuple[Floats, Floats],
    slots: Indices,
    free: Mask,
    iterations: int,
    tolerance: float,
    at: Equations,
) -> tuple[int, bool, Equations]:
    """`refine` from a shape whose normal equations are known: to stop a fit, look at it, and go on.

    data  the points and weights of `refine`
    at    what `normal_equations` gives for them and the shape; what it gives for the shape then comes back third

    >>> ball, s = KINDS["sphere"], pack(Shape("sphere", np.array([0.3, -0.2, 0.1]), radius=4.0))
    >>> data = 5.0 * np.concatenate([np.eye(3), -np.eye(3)]), np.ones(6)
    >>> at = normal_equations(ball.code, s, *data, 4)
    >>> steps, converged, at = refine_on(ball.code, s, data, ball.slots, np.ones(4, dtype=bool), 50, 1e-9, at)
    >>> converged, at[2] < 1e-18
    (True, True)
    """
    points, weights = data
    width = len(slots)
    step = np.zeros(width)
    damping = 1e-6
    matrix, right, squares = at
    weight = weights.sum()
    for iteration in range(iterations):
        if not damped_step(matrix, right, damping, free, step):
            damping = max(damping * 10.0, 1e-6)
            if damping > 1e8:
                return iteration, False, (matrix, right, squares)
            continue
        moved = 0.0
        for j in range(width):
            moved = max(moved, abs(step[j]) * np.sqrt(matrix[j, j] / weight))
        trial = s.copy()
        apply_step(trial, slots, step)
        matrix_new, right_new, squares_new = normal_equations(code, trial, points, weights, width)
        if squares_new <= squares * (1.0 + 1e-14):
            s[:] = trial
            matrix, right, squares = matrix_new, right_new, squares_new
            damping = max(damping * 0.1, 1e-15)
            if moved < tolerance:
                return iteration + 1, True, (matrix, right, squares)
        else:
            if moved < tolerance:
                return iteration + 1, True, (matrix, right, squares)
            damping = max(damping * 10.0, 1e-9)
            if damping > 1e10:
                return iteration + 1, False, (matrix, right, squares)
    return iterations, False, (matrix, right, squares)


def signed_distance(shape: Shape, points: Floats) -> Floats:
    """(n,) orthogonal distance of points (n, 3) from the unbounded surface, mm.

    Positive on the side of the geometric normal: along a plane's direction, away from an axis, a
    centre, or a torus' centre circle. KeyError where there is no such kind.

    >>> drill = Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0)
    >>> signed_distance(drill, np.array([[3.0, 4.0, 100.0], [0.0, 6.0, 0.0]])).tolist()
    [0.0, 1.0]
    """
    return distances(KINDS[shape.kind].code, pack(shape), as_points(points))


def surface_normal(shape: Shape, points: Floats) -> Floats:
    """(n, 3) unit geometric normals of the surface nearest to the points (n, 3): the gradient of the distance.

    >>> drill = Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0)
    >>> surface_normal(drill, np.array([[0.0, 6.0, 20.0]])).tolist()
    [[0.0, 1.0, 0.0]]
    """
    return gradients(KINDS[shape.kind].code, pack(shape), as_points(points))


def project(shape: Shape, points: Floats) -> Floats:
    """(n, 3) nearest points on the unbounded surface."""
    points = as_points(points)
    return points - signed_distance(shape, points)[:, None] * surface_normal(shape, points)


def jacobian(shape: Shape, points: Floats, basis: Floats | None = None) -> Floats:
    """(n, k) derivatives of the distance of points (n, 3) by the kind's local parameters on `basis` (2, 3); mm and rad.

    The basis is that of `basis_of` where none is given.

    >>> ball = Shape("sphere", np.zeros(3), radius=5.0)
    >>> KINDS["sphere"].parameters, abs(jacobian(ball, np.array([[0.0, 0.0, 5.0]]))).tolist()
    (('u', 'v', 'w', 'r'), [[0.0, 0.0, 1.0, 1.0]])
    """
    kind = KINDS[shape.kind]
    return jacobians(kind.code, pack(shape, basis), as_points(points), len(kind.parameters))


def moved(shape: Shape, step: Floats, basis: Floats | None = None) -> Shape:
    """The shape after a small change (k,) of its local parameters on `basis` (2, 3); mm and rad.

    The basis is that of `basis_of` where none is given.

    >>> ball = Shape("sphere", np.zeros(3), radius=5.0)
    >>> moved(ball, np.array([0.0, 0.0, 2.0, 0.5]), np.eye(3)[:2]).radius
    5.5
    """
    packed = pack(shape, basis)
    apply_step(packed, KINDS[shape.kind].slots, np.asarray(step, dtype=float))
    return unpack(shape.kind, packed)


def closed_form(kind: str, points: Floats, normals: Floats) -> Shape | None:
    """A first guess from points (n, 3) and their normals (n, 3), used as lines; None where they don't make one.

    kind  a key of `KINDS`

    >>> ways = np.concatenate([np.eye(3), -np.eye(3)])
    >>> ball = closed_form("sphere", 5.0 * ways + [10.0, 0.0, 0.0], ways)
    >>> ball.point.round(9).tolist(), round(ball.radius, 9)
    ([10.0, 0.0, 0.0], 5.0)
    """
    packed = np.zeros(PACKED)
    points, normals = as_points(points), as_points(normals)
    if len(points) < len(KINDS[kind].parameters) or not begin(KINDS[kind].code, points, normals, packed):
        return None
    return unpack(kind, packed)


def height_of(shape: Shape, outward: float, origin: Floats, direction: Floats) -> Callable[[Floats], Floats]:
    """Where a line of sight meets a fitted surface: feet of lines (n, 3) -> steps (n,) mm along `direction`.

    outward    as for `chart_of`
    origin     (3,) and
    direction  (3,) unit, towards the viewer: of several meetings the one nearest to the plane through origin square to
               it counts; nan where the surface is missed or seen from behind

    Where a kind doesn't say in closed form how lines meet it, by sphere tracing (Hart 1996, The Visual Computer 12,
    527-545).

    >>> ball, up = Shape("sphere", np.zeros(3), radius=5.0), np.array([0.0, 0.0, 1.0])
    >>> height_of(ball, 1.0, np.zeros(3), up)(np.array([[3.0, 0.0, 0.0], [6.0, 0.0, 0.0]])).tolist()
    [4.0, nan]
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
            # What has arrived stays: inside, its last digits would grow to a step across.
            steps = steps + way * np.where(np.abs(off) < _CLOSE, 0.0, np.abs(off))
            if np.all((np.abs(off) < _CLOSE) | (way * (steps - middle) > reach)):
                break
        out.append(np.where(np.abs(off) < _MET, steps, np.nan))
    return out


def chart_of(shape: Shape, near: Floats, outward: float) -> Chart:
    """The chart of a fitted surface: a map between it and a plane, see `Chart`.

    near     (3,) point of it that the chart is laid out around
    outward  1.0 where the geometric normal points out of the material, -1.0 where into it (bores)

    >>> drill = Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0)
    >>> chart = chart_of(drill, np.array([5.0, 0.0, 0.0]), -1.0)
    >>> round(chart.period, 6), chart.lift(chart.flatten(np.array([[0.0, 5.0, 8.0]]))).round(9).tolist()
    (31.415927, [[0.0, 5.0, 8.0]])
    """
    chart = KINDS[shape.kind].chart(shape, near)
    if outward > 0.0:
        return chart
    mirror = np.array([-1.0, 1.0])
    return Chart(
        lambda points: chart.flatten(points) * mirror, lambda places: chart.lift(places * mirror), chart.period
    )
