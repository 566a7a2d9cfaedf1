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
from pipeline.surfaces.kind import Kind
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


def is_bore(feature: Sided) -> bool:
    """Whether a feature is a circular cylinder with the material outside, as a drill or a boring bar leaves.

    Raises GeometryError where there is no such kind.

    >>> from tests.features.made import bore, plane
    >>> is_bore(bore("bore-1", (0, 0, 0), (0, 0, 1), 20)), is_bore(plane("plane-1", (0, 0, 0), (0, 0, 1)))
    (True, False)
    """
    return kind_of(feature).cylindrical and feature.side == "bore"


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
