"""Whether two features could be exactly parallel, square, coaxial or intersecting: the chance of what is seen if so.

A pair is held against such an idea only where it could have been meant: within the coarsest general tolerance of an
angle (ISO 2768-1, class v), or nearly on one line. What a drawing puts at five degrees is no face that failed to be
square.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.coverage import PAIR
from pipeline.features.relations.lines import Line
from pipeline.features.uncertainty import chance
from pipeline.geometry import Floats, basis_of, cross
from pipeline.standards import angle_of

NEARLY_ONE = 1.0  # mm between axes that were meant to be one, or to meet: common practice, no source


def meant(off: float, unsure: float, *spans: float) -> bool:
    """Whether what is `off` rad from parallel or square could have been meant to be so; spans, mm, of the two.

    `unsure` is the standard uncertainty of that angle: what is hardly known may be off by more.

    >>> meant(math.radians(5.0), 1e-4, 60.0, 90.0), meant(math.radians(0.3), 1e-4, 60.0, 90.0)
    (False, True)
    """
    return off <= math.radians(angle_of("v", min(spans))) + PAIR * unsure


def near(distance: float, unsure: float) -> bool:
    """Whether axes `distance` mm apart, its standard uncertainty `unsure`, could have been meant to be one or to meet.

    >>> near(0.4, 0.003), near(25.0, 0.003)
    (True, False)
    """
    return distance <= NEARLY_ONE + PAIR * unsure


def chance_of_parallel(a: Line, b: Line) -> float:
    """Chance of the two directions if they are parallel: two components."""
    e, sense = basis_of(a.direction), float(np.sign(a.direction @ b.direction))
    off = e @ (sense * b.direction - a.direction)
    return chance(off, [(-e @ a.turns, a.known), (sense * e @ b.turns, b.known)])


def chance_of_square(a: Line, b: Line) -> float:
    """Chance of the two directions if they are square to each other: one angle."""
    off = np.array([np.arcsin(np.clip(a.direction @ b.direction, -1.0, 1.0))])
    by_a, by_b = (b.direction @ a.turns)[None], (a.direction @ b.turns)[None]
    return chance(off, [(by_a, a.known), (by_b, b.known)])


def chance_of_one_line(a: Line, b: Line) -> float:
    """Chance of the two axes if they are one line: two components of direction, and two of place."""
    e, sense = basis_of(a.direction), float(np.sign(a.direction @ b.direction))
    gap = b.point - a.point
    lever = float(gap @ a.direction)
    off = np.concatenate([e @ (sense * b.direction - a.direction), e @ gap])
    by_a = -np.vstack([e @ a.turns, e @ (a.shifts + lever * a.turns)])
    by_b = np.vstack([sense * e @ b.turns, e @ b.shifts])
    return chance(off, [(by_a, a.known), (by_b, b.known)])


def crossing(a: Line, b: Line) -> tuple[float, Floats, Floats]:
    """How far two axes that aren't parallel pass each other, mm, and (k,) how that changes with either's parameters."""
    across = cross(a.direction, b.direction)
    sine = float(np.linalg.norm(across))
    across /= sine
    gap = b.point - a.point
    # Where on each axis the two come nearest: turns work on those levers.
    along_a = float(cross(gap, b.direction) @ across) / sine
    along_b = float(cross(gap, a.direction) @ across) / sine
    by_a = (a.shifts + along_a * a.turns).T @ across
    by_b = (b.shifts + along_b * b.turns).T @ across
    return float(gap @ across), -by_a, by_b


def chance_of_meeting(a: Line, b: Line) -> float:
    """Chance of how far the two axes pass each other if they meet."""
    gap, by_a, by_b = crossing(a, b)
    return chance(np.array([gap]), [(by_a[None], a.known), (by_b[None], b.known)])
