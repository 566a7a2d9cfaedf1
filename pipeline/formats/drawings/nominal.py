"""What a pattern of holes may have been drawn as: round figures near the measured ones, and how far each hole is off.

A proposal: nothing that is measured is moved to it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from pipeline.formats.datum_file import HolePatternRecord, HoleRecord

Place = tuple[float, float]

NEAR = 0.15  # mm within which a round figure is taken as meant: common practice, no source
WHOLE = 0.5  # mm, what lengths of patterns are usually a multiple of: common practice, no source


class Nominal(NamedTuple):
    """places: (2,) mm in the sketch, one for each place of the pattern; lengths: its diameter, or its two sides, mm;
    phase: degrees; off: mm, of each member by its feature from the nearest place."""

    places: tuple[Place, ...]
    lengths: tuple[float, ...]
    phase: float
    off: dict[str, float]


def nominal_of(pattern: HolePatternRecord, holes: Sequence[HoleRecord]) -> Nominal | None:
    """The pattern with equal division and round lengths, about the measured middle; None of one that has no rule.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> top = build(outcome()).flanges[0]
    >>> nominal_of(top.patterns[0], top.holes).lengths
    (62.0,)
    """
    phase, (x, y) = pattern.phase, pattern.centre
    if pattern.kind == "pitch_circle" and pattern.diameter and pattern.count and phase is not None:
        size = _round_figure(pattern.diameter)
        radius, pitch = size / 2, 360.0 / pattern.count
        turn = _round_angle(phase, pitch, radius)
        angles = [math.radians(turn + pitch * k) for k in range(pattern.count)]
        places = tuple((x + radius * math.cos(a), y + radius * math.sin(a)) for a in angles)
        lengths: tuple[float, ...] = (size,)
    elif pattern.kind == "rectangle" and pattern.size is not None and phase is not None:
        lengths = tuple(_round_figure(side) for side in pattern.size)
        turn = _round_angle(phase, 180.0, max(lengths) / 2)
        c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        halves = [(a * lengths[0] / 2, b * lengths[1] / 2) for a in (-1, 1) for b in (-1, 1)]
        places = tuple((x + c * a - s * b, y + s * a + c * b) for a, b in halves)
    else:
        return None
    off = {h.feature: min(math.dist(h.place, p) for p in places) for h in holes if h.feature in pattern.members}
    return Nominal(places, lengths, turn, off)


def _round_figure(length: float) -> float:
    near = round(length / WHOLE) * WHOLE
    return near if abs(near - length) < NEAR else length


def _round_angle(angle: float, pitch: float, radius: float) -> float:
    """A multiple of a quarter of the pitch, or of 15 degrees, that the holes lie near to."""
    for step in (pitch / 4.0, 15.0):
        near = round(angle / step) * step
        if abs(math.radians(near - angle)) * radius < NEAR:
            return near
    return angle
