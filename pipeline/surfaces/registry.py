"""The kinds of surface that can be recovered, in their order: the simpler one first, which is taken where both fit.

A new kind is a file of this room with a `KIND`, and a place in `KINDS`. One that isn't part of the package is given to
`register` before anything is compiled.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline import kernel_cache
from pipeline.errors import GeometryError
from pipeline.geometry import Floats
from pipeline.surfaces import cone, cylinder, plane, sphere, torus
from pipeline.surfaces.kind import Kind, StepSurface
from pipeline.surfaces.shape import OfAKind, Shape, Sided, pack

_COMPILED = "pipeline.surfaces.dispatch"
_from_outside: list[Path] = []

KINDS: dict[str, Kind] = {
    kind.name: replace(kind, code=code)
    for code, kind in enumerate((plane.KIND, cylinder.KIND, cone.KIND, sphere.KIND, torus.KIND))
}
"""The kinds by their names, in their order."""


def kind_of(thing: OfAKind) -> Kind:
    """What there is to know of a shape's or a feature's kind. Raises GeometryError where there is no such kind.

    >>> kind_of(Shape("sphere", np.zeros(3), radius=5.0)).situation.value
    'point'
    """
    if thing.kind not in KINDS:
        raise GeometryError(f"There is no kind of surface called {thing.kind}; known are {', '.join(KINDS)}.")
    return KINDS[thing.kind]


def names_of(wanted: Callable[[Kind], bool] = bool) -> tuple[str, ...]:
    """The names of the kinds of which something holds, in their order; of all kinds where nothing is asked.

    >>> names_of(lambda kind: kind.spherical)
    ('sphere',)
    """
    return tuple(name for name, kind in KINDS.items() if wanted(kind))


def is_word_for(kind: Kind, word: str) -> bool:
    """Whether a word means a kind: its name, what a job may say besides, or what a shop calls either side of it.

    >>> [name for name, kind in KINDS.items() if is_word_for(kind, "hole") or is_word_for(kind, "face")]
    ['plane', 'cylinder']
    """
    # A small bore is a hole to a shop, though its kind has no other name for it.
    return word in (kind.name, *kind.also, *kind.terms.values()) or (kind.cylindrical and word == "hole")


def is_bore(feature: Sided) -> bool:
    """Whether a feature is a circular cylinder with the material outside, as a drill or a boring bar leaves.

    Raises GeometryError where there is no such kind.

    >>> from tests.features.made import bore, plane
    >>> is_bore(bore("bore-1", (0, 0, 0), (0, 0, 1), 20)), is_bore(plane("plane-1", (0, 0, 0), (0, 0, 1)))
    (True, False)
    """
    return kind_of(feature).cylindrical and feature.side == "bore"


def shape_from_step(surface: StepSurface) -> Shape | None:
    """The shape that a surface of a STEP file is; None where it is of no kind that is read from STEP.

    >>> ball = StepSurface("SPHERICAL_SURFACE", np.zeros(3), np.eye(3)[2], np.eye(3)[0], (5.0,))
    >>> shape_from_step(ball).radius
    5.0
    """
    found = (kind.from_step(surface) for kind in KINDS.values() if kind.from_step is not None)
    return next((shape for shape in found if shape is not None), None)


def shape_of_turned_line(foot: Floats, axis: Floats, line: tuple[tuple[float, float], tuple[float, float]]) -> Shape:
    """What a straight line becomes when it is turned about an axis: a plane, a cylinder or a cone.

    foot, axis  (3,) mm on the axis, and unit
    line        its two ends: mm along the axis from the foot, and from the axis; they are two different places

    A plane's direction is the axis', a cone's point is at the middle of the line.

    >>> up = np.array([0.0, 0.0, 1.0])
    >>> [shape_of_turned_line(np.zeros(3), up, ((0, 5), (z, r))).kind for z, r in ((0, 8), (9, 5), (9, 8))]
    ['plane', 'cylinder', 'cone']
    """
    (low, first), (high, second) = line
    middle = foot + 0.5 * (low + high) * axis
    if low == high:
        return Shape(plane.KIND.name, middle, axis)
    if first == second:
        return Shape(cylinder.KIND.name, middle, axis, first)
    rise = (second - first) / (high - low)
    angle = float(np.arctan(abs(rise)))
    return Shape(cone.KIND.name, middle, axis if rise > 0 else -axis, 0.5 * (first + second), angle)


def register(kind: Kind) -> None:
    """Add a kind of surface from outside the package, as the last one, for the rest of the process.

    The kernels are made for all kinds there are, and kept in a cache of their own for this set of kinds.

    Raises GeometryError where the kernels are loaded already, or where the name or a letter is taken.

    >>> from pipeline.surfaces import sane  # loads the kernels
    >>> register(replace(KINDS["cylinder"], name="pipe"))
    Traceback (most recent call last):
    pipeline.errors.GeometryError: The kernels are made already without pipe; register it before they are used.
    """
    if _COMPILED in sys.modules:
        raise GeometryError(f"The kernels are made already without {kind.name}; register it before they are used.")
    if kind.name in KINDS:
        raise GeometryError(f"There is a kind of surface called {kind.name} already; give the new one another name.")
    letters = {letter: other.name for other in KINDS.values() for letter in other.letters.values()}
    for letter in kind.letters.values():
        if letter in letters:
            raise GeometryError(f"{letter} stands for a {letters[letter]} already; give {kind.name} another letter.")
    KINDS[kind.name] = replace(kind, code=len(KINDS))
    _from_outside.append(Path(inspect.getfile(inspect.unwrap(kind.gradient))))
    kernel_cache.settle(Path(__file__).parents[1], {__name__: _from_outside})


def files_from_outside() -> tuple[Path, ...]:
    """The files of the kinds that were registered: what is made with them depends on them as on the package's own.

    >>> files_from_outside()  # where only the package's own are used
    ()
    """
    return tuple(_from_outside)


def unpack(kind: str, packed: Floats) -> Shape:
    """The shape of a packed one (PACKED,), as features have it; see `Kind.canonical`. KeyError where there is no kind.

    >>> packed = pack(Shape("sphere", np.array([1.0, 2.0, 3.0]), radius=-5.0))
    >>> unpack("sphere", packed).radius  # made positive
    5.0
    """
    return KINDS[kind].unpack(packed)


def row_of(shape: Shape) -> Floats:
    """(ROW,) a shape as a row of a table of surfaces of several kinds: packed, its kind's code behind it.

    The direction is made a unit vector.

    >>> row = row_of(Shape("plane", np.zeros(3), np.array([0.0, 0.0, 2.0])))
    >>> row[3:6].tolist(), int(row[-1]) == KINDS["plane"].code
    ([0.0, 0.0, 1.0], True)
    """
    if shape.direction is not None:
        shape = replace(shape, direction=shape.direction / np.linalg.norm(shape.direction))
    return np.append(pack(shape), KINDS[shape.kind].code)
