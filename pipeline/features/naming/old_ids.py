"""The ids that version 0.1.0 gave: they depend on a feature alone, not on which others were found.

Job files may still say them. An id is a word for what the feature is and four characters drawn from its geometry on a
coarse grid laid over the scan as it was read: "bore-k7fm". Well-determined figures go in finely (where the unbounded
surface lies), the middle of what was seen coarsely, since that moves when a part of the feature is left out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import basis_of, unit
from pipeline.surfaces import Shape, kind_of

# Without vowels, so that no words come up, and without characters that look alike.
_ALPHABET = "23456789bcdfghjkmnpqrstvwxz"
_TURN = 8.0  # grid steps per unit of a direction's component


def old_ids(shapes: Sequence[Shape], sides: Sequence[str | None], low: NDArray, high: NDArray) -> list[str]:
    """The old id of each shape, points as features have them; `low`, `high` are the corners of the scan as read.

    Features that fall on the same grid place are told apart by further characters, in the order of their
    points.

    >>> from pipeline.surfaces import Shape
    >>> seat = Shape('cylinder', np.array([10.0, 0.0, 5.0]), np.array([0.0, 0.0, 1.0]), 31.0)
    >>> (found,) = old_ids([seat], ['bore'], np.zeros(3), np.full(3, 100.0))
    >>> found.startswith('bore-'), found == old_ids([seat], ['bore'], np.zeros(3), np.full(3, 100.0))[0]
    (True, True)
    """
    centre = 0.5 * (np.asarray(low, float) + np.asarray(high, float))
    size = float(np.linalg.norm(np.asarray(high, float) - np.asarray(low, float)))
    names = [f"{_word(s, side)}-{_code(_place(s, centre, size))}" for s, side in zip(shapes, sides, strict=True)]
    order = sorted(range(len(names)), key=lambda i: (names[i], tuple(np.round(shapes[i].point, 3))))
    out = list(names)
    alike = 0
    for before, here in pairwise(order):
        alike = alike + 1 if names[here] == names[before] else 0
        out[here] += _further(alike)
    return out


def _word(shape: Shape, side: str | None) -> str:
    return {"torus": "ring"}.get(shape.kind, kind_of(shape).called(side))


def _further(number: int) -> str:
    """Characters for the `number`th further feature of one place: none, one, then two and more."""
    out = ""
    while number:
        number, rest = divmod(number - 1, len(_ALPHABET))
        out = _ALPHABET[rest] + out
    return out


def _place(shape: Shape, centre: NDArray, size: float) -> tuple[int, ...]:
    """Grid numbers of where the surface is."""
    fine, coarse = size / 250.0, size / 5.0
    figures: list[float] = []
    if shape.direction is None:
        figures += [*((shape.point - centre) / fine)]
    else:
        d = shape.direction
        offset = shape.point - centre
        along = float(offset @ d)
        figures += [*(d * _TURN)]
        if kind_of(shape).flat:
            u, v = basis_of(unit(np.round(d * _TURN)))
            figures += [along / fine, float(offset @ u) / coarse, float(offset @ v) / coarse]
        else:
            figures += [*((offset - along * d) / fine), along / coarse]
    # A radius that grows along the axis hangs on where the middle of what was seen lies.
    if shape.radius is not None and not kind_of(shape).tapered:
        figures.append(shape.radius / fine)
    return tuple(int(np.floor(x + 0.5)) for x in figures)


def _code(place: tuple[int, ...]) -> str:
    number = int.from_bytes(hashlib.sha256(repr(place).encode()).digest()[:8], "big")
    out = ""
    for _ in range(4):
        number, rest = divmod(number, len(_ALPHABET))
        out += _ALPHABET[rest]
    return out
