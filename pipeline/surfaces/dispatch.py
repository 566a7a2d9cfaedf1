"""One function over all kinds for each that a kind offers: if-chains on the code, made from the registry.

A compiled kernel can't look up a function in a table and still have it inlined, so the text of each chain is written
here from the kinds that are registered when this module is loaded. A code that no kind has raises ValueError.
"""

from __future__ import annotations

from collections.abc import Callable
from textwrap import indent
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import Floats, perpendicular_pair
from pipeline.jit import njit
from pipeline.surfaces.kind import SLOTS as SLOT_NUMBERS
from pipeline.surfaces.registry import KINDS
from pipeline.surfaces.shape import CODE, PACKED

_ALL = tuple(KINDS.values())
COUNT = len(_ALL)
WIDEST = max(len(kind.parameters) for kind in _ALL)  # local parameters of the kind that has most
WIDTHS = np.array([len(kind.parameters) for kind in _ALL])
# Of the local parameters by code, -1 padded; numbers as `apply_step` takes them.
SLOTS = np.array([[*kind.slots, *[-1] * WIDEST][:WIDEST] for kind in _ALL])

# What kernels ask about a kind, by code.
FLAT = np.array([kind.flat for kind in _ALL])
AXIAL = np.array([kind.axial for kind in _ALL])
RULED = np.array([kind.ruled for kind in _ALL])
SUPPLE = np.array([kind.supple for kind in _ALL])
_CHORD_STEPS = np.array([kind.chord_steps for kind in _ALL])

_U, _V, _W, _A, _B, _R, _H, _MAJOR, _T = (SLOT_NUMBERS[name] for name in ("u", "v", "w", "a", "b", "r", "h", "R", "t"))


def _chain(name: str, arguments: str, branch: Callable[[Any], str | None], end: str = "") -> Any:
    """Compile `name`(arguments), with `branch` of a kind as the body for its code, or nothing for None.

    `end` is the body for the kinds without a branch. In a branch `evaluate_2` is what kind 2 offers as `evaluate`.
    """
    lines = [f"def {name}({arguments}):"]
    for kind in _ALL:
        body = branch(kind)
        if body is not None:
            lines += [f"    if code == {kind.code}:", indent(body, " " * 8)]
    if end:
        lines += [f"    if 0 <= code < {COUNT}:", indent(end, " " * 8)]
    lines.append("    raise ValueError('no kind of surface has this code')")
    parts = ("evaluate", "gradient", "begin", "sane", "turned")
    scope = {f"{part}_{kind.code}": getattr(kind, part) for kind in _ALL for part in parts}
    scope |= {"__name__": __name__, "np": np, "perpendicular_pair": perpendicular_pair}
    # By this file's name numba finds its cache.
    exec(compile("\n".join(lines), __file__, "exec"), scope)
    return njit(cache=True)(scope[name])


# (code, s, x, y, z, row) -> signed orthogonal distance, mm; row (k,) receives its derivatives by the local parameters.
evaluate = _chain("evaluate", "code, s, x, y, z, row", lambda kind: f"return evaluate_{kind.code}(s, x, y, z, row)")

# (code, s, x, y, z) -> the same distance and the surface's unit normal there, (d, nx, ny, nz).
gradient = _chain("gradient", "code, s, x, y, z", lambda kind: f"return gradient_{kind.code}(s, x, y, z)")

# (code, points (n, 3), normals (n, 3), s) -> bool: closed-form start of a kind into s, with a basis; False where the
# points don't make one.
begin = _chain(
    "begin",
    "code, points, normals, s",
    lambda kind: (
        f"""\
good = begin_{kind.code}(points, normals, s)
if good:
    s[6:9], s[9:12] = perpendicular_pair(s[3:6].copy())
return good"""
    ),
)

# (code, s, points, low, high, rows, away): signed distances of points[low:high] into away and their derivatives into
# the columns of rows. One loop a kind, so that the compiler can take several points at once.
fill_rows = _chain(
    "fill_rows",
    "code, s, points, low, high, rows, away",
    lambda kind: (
        f"""\
for i in range(high - low):
    away[i] = evaluate_{kind.code}(s, points[low + i, 0], points[low + i, 1], points[low + i, 2], rows[:, i])
return"""
    ),
)

# (code, s, size) -> bool: whether a packed shape is degenerate neither in itself nor over `size` mm.
_sane = _chain("_sane", "code, s, size", lambda kind: f"return sane_{kind.code}(s, size)")


def _turned(kind: Any) -> str | None:
    if kind.turned is None:
        return None
    related = " or ".join(f"was == {KINDS[name].code}" for name in kind.relatives)
    return f"return ({related}) and turned_{kind.code}(held, points, s)"


# (code, was, held, points, s) -> bool: a start of kind `code` from a packed shape held of kind `was`.
_from_relative = _chain("_from_relative", "code, was, held, points, s", _turned, "return False")


@njit(cache=True)
def sane(code: int, s: Floats, size: float) -> bool:
    """Whether a packed shape is finite, not degenerate, and not so flat that over `size` mm it is a plane."""
    for k in range(PACKED):
        if not np.isfinite(s[k]):
            return False
    return _sane(code, s, size)


@njit(cache=True)
def start_of(code: int, was: int, held: Floats, points: Floats, normals: Floats, s: Floats) -> bool:
    """A start of kind `code` into s: the shape held, turned into that kind where it can be, else the closed form.

    was  the kind of the packed shape held, -1 for none
    """
    if was == code:
        s[:] = held
        return True
    return _from_relative(code, was, held, points, s) or begin(code, points, normals, s)


@njit(cache=True)
def distance_gradient(row: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float]:
    """`gradient` of a row (ROW,) of a table of several kinds."""
    return gradient(int(row[CODE]), row, x, y, z)


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


@njit(cache=True)
def chord_steps(row: Floats) -> int:
    """Into how many steps the sides of a facet on a row's surface are parted to find its chord error; 0: none."""
    return _CHORD_STEPS[int(row[CODE])]


@njit(cache=True)
def apply_step(s: Floats, slots: NDArray[np.int64], step: Floats) -> None:
    """Change a packed shape in place by its local parameters; basis and orientation turn along with the direction."""
    turn_a = turn_b = turn_t = 0.0
    point = s[0:3].copy()
    for k in range(len(slots)):
        slot, value = slots[k], step[k]
        if slot == _U:
            point += value * s[6:9]
        elif slot == _V:
            point += value * s[9:12]
        elif slot == _W:
            point += value * s[3:6]
        elif slot == _A:
            turn_a = value
        elif slot == _B:
            turn_b = value
        elif slot == _R:
            s[12] += value
        elif slot == _H:
            angle = np.arctan2(s[13], s[14]) + value
            s[13], s[14] = np.sin(angle), np.cos(angle)
        elif slot == _MAJOR:
            s[15] += value
        elif slot == _T:
            turn_t = value
        else:
            raise ValueError("no local parameter has this number")
    s[0:3] = point
    if turn_a != 0.0 or turn_b != 0.0:
        d = s[3:6] + turn_a * s[6:9] + turn_b * s[9:12]
        d /= np.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
        u = s[6:9] - d * (s[6] * d[0] + s[7] * d[1] + s[8] * d[2])
        u /= np.sqrt(u[0] ** 2 + u[1] ** 2 + u[2] ** 2)
        s[3:6] = d
        s[6:9] = u
        s[9] = d[1] * u[2] - d[2] * u[1]
        s[10] = d[2] * u[0] - d[0] * u[2]
        s[11] = d[0] * u[1] - d[1] * u[0]
    if s[16] != 0.0 or s[17] != 0.0 or s[18] != 0.0:
        _turn_orientation(s, turn_t)


@njit(cache=True)
def _turn_orientation(s: Floats, turn: float) -> None:
    """Make the orientation square to the direction again, and turn it about that by `turn` rad."""
    d, o = s[3:6], s[16:19]
    o = o - d * (o[0] * d[0] + o[1] * d[1] + o[2] * d[2])
    o /= np.sqrt(o[0] ** 2 + o[1] ** 2 + o[2] ** 2)
    across = np.array([d[1] * o[2] - d[2] * o[1], d[2] * o[0] - d[0] * o[2], d[0] * o[1] - d[1] * o[0]])
    s[16:19] = np.cos(turn) * o + np.sin(turn) * across
