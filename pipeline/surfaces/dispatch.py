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
"""How many kinds there are."""
WIDEST = max(len(kind.parameters) for kind in _ALL)
"""How many local parameters the kind has that has most."""
WIDTHS = np.array([len(kind.parameters) for kind in _ALL])
"""(COUNT,) int64: how many local parameters a kind has, by its code."""
SLOTS = np.array([[*kind.slots, *[-1] * WIDEST][:WIDEST] for kind in _ALL])
"""(COUNT, WIDEST) int64: numbers of the local parameters of a kind, by its code, -1 padded, as kernels take them."""

# What kernels ask about a kind.
FLAT = np.array([kind.flat for kind in _ALL])
"""(COUNT,) bool: `Kind.flat` by code."""
AXIAL = np.array([kind.axial for kind in _ALL])
"""(COUNT,) bool: `Kind.axial` by code."""
RULED = np.array([kind.ruled for kind in _ALL])
"""(COUNT,) bool: `Kind.ruled` by code."""
SUPPLE = np.array([kind.supple for kind in _ALL])
"""(COUNT,) bool: `Kind.supple` by code."""
LINEAR_START = np.array([kind.linear_start for kind in _ALL])
"""(COUNT,) bool: `Kind.linear_start` by code."""
_CHORD_STEPS = np.array([kind.chord_steps for kind in _ALL])

_U, _V, _W, _A, _B, _R, _H, _MAJOR, _T = (SLOT_NUMBERS[name] for name in ("u", "v", "w", "a", "b", "r", "h", "R", "t"))


def _chain(
    name: str, arguments: str, says: str, branch: Callable[[Any], str | None], end: str = "", borrowing: bool = False
) -> Any:  # fmt: skip
    """Compile `name`(arguments), with `branch` of a kind as the body for its code, or nothing for None.

    `says` is its docstring, and `end` the body for the kinds without a branch. In a branch `evaluate_2` is what kind 2
    offers as `evaluate`; `borrowing` as `njit` takes it.
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
    scope[name].__doc__ = says
    return njit(cache=True, borrowing=borrowing)(scope[name])


evaluate = _chain(
    "evaluate",
    "code, s, x, y, z, row",
    "Signed orthogonal distance, mm, from a packed shape; row (k,) receives its derivatives by the local parameters.",
    lambda kind: f"return evaluate_{kind.code}(s, x, y, z, row)",
)

gradient = _chain(
    "gradient",
    "code, s, x, y, z",
    """The same distance, mm, and the surface's unit normal there: (d, nx, ny, nz).

    code     of the kind of s; ValueError where no kind has it
    s        (PACKED,)
    x, y, z  mm

    >>> from pipeline.surfaces import Shape, pack
    >>> ball = pack(Shape("sphere", np.zeros(3), radius=5.0))
    >>> gradient(KINDS["sphere"].code, ball, 0.0, 8.0, 0.0)
    (3.0, 0.0, 1.0, 0.0)
    """,
    lambda kind: f"return gradient_{kind.code}(s, x, y, z)",
    borrowing=True,
)

begin = _chain(
    "begin",
    "code, points, normals, s",
    """Closed-form start of a kind into s (PACKED,), with a basis; False where the points don't make one.

    code             of the kind; ValueError where no kind has it
    points, normals  (n, 3) mm and unit vectors; normals are used as lines, their sign only orients a plane

    >>> ways, s = np.concatenate([np.eye(3), -np.eye(3)]), np.zeros(PACKED)
    >>> begin(KINDS["sphere"].code, 5.0 * ways, ways, s), round(float(s[12]), 9)
    (True, 5.0)
    """,
    lambda kind: (
        f"""\
good = begin_{kind.code}(points, normals, s)
if good:
    s[6:9], s[9:12] = perpendicular_pair(s[3:6].copy())
return good"""
    ),
)

# One loop a kind, so that the compiler can take several points at once.
fill_rows = _chain(
    "fill_rows",
    "code, s, points, low, high, rows, away",
    "Signed distances of points[low:high] into away, and their derivatives into the columns of rows.",
    lambda kind: (
        f"""\
for i in range(high - low):
    away[i] = evaluate_{kind.code}(s, points[low + i, 0], points[low + i, 1], points[low + i, 2], rows[:, i])
return"""
    ),
)

_sane = _chain(
    "_sane",
    "code, s, size",
    "Whether a packed shape is degenerate neither in itself nor over `size` mm.",
    lambda kind: f"return sane_{kind.code}(s, size)",
)


def _turned(kind: Any) -> str | None:
    if kind.turned is None:
        return None
    related = " or ".join(f"was == {KINDS[name].code}" for name in kind.relatives)
    return f"return ({related}) and turned_{kind.code}(held, points, s)"


_from_relative = _chain(
    "_from_relative",
    "code, was, held, points, s",
    "A start of kind `code` from a packed shape held of kind `was`; False where there is none.",
    _turned,
    "return False",
)


@njit(cache=True)
def sane(code: int, s: Floats, size: float) -> bool:
    """Whether a packed shape is finite, not degenerate, and not so flat that over `size` mm it is a plane.

    code  of its kind; ValueError where no kind has it
    s     (PACKED,)

    >>> ball = KINDS["sphere"].unpack(np.r_[np.zeros(12), 5.0, np.zeros(6)])
    >>> from pipeline.surfaces import pack
    >>> sane(KINDS["sphere"].code, pack(ball), 10.0), sane(KINDS["sphere"].code, np.full(PACKED, np.nan), 10.0)
    (True, False)
    """
    for k in range(PACKED):
        if not np.isfinite(s[k]):
            return False
    return _sane(code, s, size)


@njit(cache=True)
def start_of(code: int, was: int, held: Floats, points: Floats, normals: Floats, s: Floats) -> bool:
    """A start of kind `code` into s: the shape held, turned into that kind where it can be, else the closed form.

    held, s          (PACKED,)
    was              the kind of the packed shape held, -1 for none
    points, normals  (n, 3) mm and unit vectors, used as lines

    False where there is no start. ValueError where no kind has the code.

    >>> s, held = np.zeros(PACKED), np.zeros(PACKED)
    >>> points = np.array([[0.0, 0, 7], [10, 0, 7], [0, 10, 7], [10, 10, 7]])
    >>> start_of(KINDS["plane"].code, -1, held, points, np.tile([0.0, 0, 1], (4, 1)), s), s[:6].round(9).tolist()
    (True, [5.0, 5.0, 7.0, 0.0, 0.0, 1.0])
    """
    if was == code:
        s[:] = held
        return True
    return _from_relative(code, was, held, points, s) or begin(code, points, normals, s)


@njit(cache=True)
def distance_gradient(row: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float]:
    """`gradient` of a row (ROW,) of a table of several kinds: signed distance, mm, and unit normal (d, nx, ny, nz).

    ValueError where no kind has the row's code.

    >>> from pipeline.surfaces import Shape, row_of
    >>> distance_gradient(row_of(Shape("sphere", np.zeros(3), radius=5.0)), 8.0, 0.0, 0.0)
    (3.0, 1.0, 0.0, 0.0)
    """
    return gradient(int(row[CODE]), row, x, y, z)


@njit(cache=True)
def move_onto(table: Floats, a: int, b: int, c: int, point: Floats) -> bool:
    """Move `point` (3,) onto surface `a`, or onto what `a`, `b` (and `c`) have in common; -1 means none.

    table  (k, ROW) of the surfaces

    One surface is met exactly; two and three by Newton steps of least length. False, with the point
    where it was, where the surfaces run too nearly along each other or do not meet near the point.

    >>> from pipeline.surfaces import Shape, row_of
    >>> bore = Shape("cylinder", np.zeros(3), np.array([0.0, 0, 1]), 5.0)
    >>> face = Shape("plane", np.array([0.0, 0, 10]), np.array([0.0, 0, 1]))
    >>> point = np.array([5.2, 0.0, 9.7])
    >>> move_onto(np.array([row_of(bore), row_of(face)]), 0, 1, -1, point), point.round(9).tolist()
    (True, [5.0, 0.0, 10.0])
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
    """Signed distance (n,), mm, of points (n, 3) to the surface of a row (ROW,) of a table.

    >>> from pipeline.surfaces import Shape, row_of
    >>> row_distances(row_of(Shape("sphere", np.zeros(3), radius=5.0)), np.array([[8.0, 0, 0], [0, 4, 0]])).tolist()
    [3.0, -1.0]
    """
    out = np.empty(len(points))
    for i in range(len(points)):
        out[i] = distance_gradient(row, points[i, 0], points[i, 1], points[i, 2])[0]
    return out


@njit(cache=True)
def chord_steps(row: Floats) -> int:
    """Into how many steps the sides of a facet on a row's surface are parted to find its chord error; 0: none.

    row  (ROW,) of a table

    >>> from pipeline.surfaces import Shape, row_of
    >>> chord_steps(row_of(Shape("plane", np.zeros(3), np.array([0.0, 0, 1]))))  # a facet on a plane has no chord error
    0
    """
    return _CHORD_STEPS[int(row[CODE])]


@njit(cache=True)
def apply_step(s: Floats, slots: NDArray[np.int64], step: Floats) -> None:
    """Change a packed shape in place by its local parameters; basis and orientation turn along with the direction."""
    # Axis by axis and without arrays: fits to a few points take a good part of their time here.
    turn_a = turn_b = turn_t = 0.0
    x, y, z = s[0], s[1], s[2]
    for k in range(len(slots)):
        slot, value = slots[k], step[k]
        if slot == _U:
            x, y, z = x + value * s[6], y + value * s[7], z + value * s[8]
        elif slot == _V:
            x, y, z = x + value * s[9], y + value * s[10], z + value * s[11]
        elif slot == _W:
            x, y, z = x + value * s[3], y + value * s[4], z + value * s[5]
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
    s[0], s[1], s[2] = x, y, z
    if turn_a != 0.0 or turn_b != 0.0:
        d1 = s[3] + turn_a * s[6] + turn_b * s[9]
        d2 = s[4] + turn_a * s[7] + turn_b * s[10]
        d3 = s[5] + turn_a * s[8] + turn_b * s[11]
        size = np.sqrt(d1**2 + d2**2 + d3**2)
        d1, d2, d3 = d1 / size, d2 / size, d3 / size
        along = s[6] * d1 + s[7] * d2 + s[8] * d3
        u1, u2, u3 = s[6] - d1 * along, s[7] - d2 * along, s[8] - d3 * along
        size = np.sqrt(u1**2 + u2**2 + u3**2)
        u1, u2, u3 = u1 / size, u2 / size, u3 / size
        s[3], s[4], s[5] = d1, d2, d3
        s[6], s[7], s[8] = u1, u2, u3
        s[9], s[10], s[11] = d2 * u3 - d3 * u2, d3 * u1 - d1 * u3, d1 * u2 - d2 * u1
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
