"""Dimensions whose texts keep clear of one another and of what is drawn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from pipeline.formats.drawings import DIMENSIONS, Dimension, Item, Line, Place, Room, Text, diameter, length_of, linear

_STEP, _PAST = 2.0, 12.0  # mm: of the places along a dimension line that are tried, and past its ends
_REACHES = (4.0, 8.0, 13.0, 19.0, 26.0, 34.0)  # mm from a circle to its text
_ANGLES = tuple(range(45, 405, 15))  # degrees
_OVER = 1.0  # mm from a dimension line to its text
Wanted = tuple[Place, Place, float, bool, str]  # as the first arguments of `linear`


def leaders(centre: Place, radius: float, text: str) -> list[tuple[float, Dimension]]:
    """Ways to put a circle's leader and its text, with how far each reaches, mm, for `Room.best`.

    >>> len({dimension.strokes[0].end for _, dimension in leaders((0.0, 0.0), 5.0, "10")}) > 100
    True
    """
    return [
        (reach, diameter(centre, radius, float(angle), radius + reach, text)) for reach in _REACHES for angle in _ANGLES
    ]


def dimensions_beside(wanted: Sequence[Wanted], shown: Iterable[Item]) -> tuple[Dimension, ...]:
    """Each wanted dimension, its text shifted along its line to where it covers least; the line goes on to a text that
    stands past its ends.

    >>> narrow = ((0.0, 0.0), (2.0, 0.0), -5.0, False, "2.000 +0.125")
    >>> wide = ((-10.0, 0.0), (10.0, 0.0), -12.0, False, "20")
    >>> first, second = dimensions_beside([narrow, wide], ())
    >>> text = next(stroke for stroke in first.strokes if isinstance(stroke, Text))
    >>> text.at[0] > 10.0 or text.at[0] + length_of(text.text) < -10.0
    True
    """
    room = Room(shown)
    for one in wanted:
        for stroke in linear(*one).strokes:
            if not isinstance(stroke, Text):
                room.add(stroke)
    out = []
    for start, end, off, upright, text in wanted:
        low, high = sorted((start[1], end[1]) if upright else (start[0], end[0]))
        middle, reach = 0.5 * (low + high), 0.5 * (high - low) + length_of(text) + _PAST
        ways = []
        for shift in sorted([0.0, *np.arange(-reach, reach + _STEP, _STEP).tolist()], key=abs):
            begin = middle + shift - 0.5 * length_of(text)
            at = (off - _OVER, begin) if upright else (begin, off + _OVER)
            made = linear(start, end, off, upright, text, at)
            ends = (low, begin) if begin > high else (begin, high) if begin + length_of(text) < low else None
            if ends is not None:
                far = (min(ends[0], begin), max(ends[1], begin + length_of(text)))
                line = Line(DIMENSIONS, *(((off, v) if upright else (v, off)) for v in far))
                made = replace(made, strokes=(*made.strokes, line))
            ways.append((abs(shift), made))
        best = room.best(ways)
        for stroke in best.strokes:
            room.add(stroke)
        out.append(best)
    return tuple(out)
