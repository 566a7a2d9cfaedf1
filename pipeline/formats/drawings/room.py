"""Where texts find room on a drawing: beside the lines and beside one another."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import TypeVar

import numpy as np

from pipeline.formats.drawings.items import Arc, Circle, Dimension, Item, Line, Place, Polyline, Text, corners
from pipeline.geometry import Floats

_T = TypeVar("_T", bound=Item)

_STEP = 1.0  # mm between the points that lines are seen as
_ROUND_TEXT = 0.6  # mm kept free round a text
_ON_TEXT, _FAR = 60.0, 0.15  # what covering another text costs in points of lines, and each mm of distance


class Room:
    """What is drawn already; `best` of several ways to put the next.

    >>> taken = Room([Text("TEXT", (0.0, 0.0), "in the way")])
    >>> ways = [(0.0, Text("TEXT", (1.0, 0.0), "on it")), (1.0, Text("TEXT", (0.0, 20.0), "free"))]
    >>> taken.best(ways).text
    'free'
    """

    def __init__(self, items: Iterable[Item]) -> None:
        self.points = np.empty((0, 2))
        self.boxes: list[tuple[float, float, float, float]] = []
        for item in items:
            self.add(item)

    def add(self, item: Item) -> None:
        """Take the room of an item."""
        parts = item.strokes if isinstance(item, Dimension) else (item,)
        for part in parts:
            if isinstance(part, Text):
                self.boxes.append(_box(part))
            else:
                self.points = np.vstack([self.points, _points(part)])

    def best(self, ways: Sequence[tuple[float, _T]]) -> _T:
        """The item that covers least, of (distance mm, item) pairs; the first of equals."""
        return min(ways, key=lambda way: self._cost(way[1]) + _FAR * way[0])[1]

    def _cost(self, item: Item) -> float:
        parts = item.strokes if isinstance(item, Dimension) else (item,)
        cost = 0.0
        for part in parts:
            if isinstance(part, Text):
                x0, y0, x1, y1 = _box(part)
                x, y = self.points[:, 0], self.points[:, 1]
                cost += float(np.sum((x > x0) & (x < x1) & (y > y0) & (y < y1)))
                cost += _ON_TEXT * sum(x0 < b[2] and b[0] < x1 and y0 < b[3] and b[1] < y1 for b in self.boxes)
            else:
                drawn = _points(part)
                for x0, y0, x1, y1 in self.boxes:
                    inside = (drawn[:, 0] > x0) & (drawn[:, 0] < x1) & (drawn[:, 1] > y0) & (drawn[:, 1] < y1)
                    cost += 5.0 * float(np.sum(inside))
        return cost


def _box(text: Text) -> tuple[float, float, float, float]:
    xs, ys = zip(*corners(text), strict=True)
    free = _ROUND_TEXT
    return min(xs) - free, min(ys) - free, max(xs) + free, max(ys) + free


def _points(item: Item) -> Floats:
    """(n, 2) along an item, some _STEP apart."""
    match item:
        case Line(_, start, end):
            return _between(start, end)
        case Polyline(_, points):
            return np.vstack([_between(a, b) for a, b in pairwise(points)])
        case Circle(_, centre, radius):
            return _round(centre, radius, 0.0, 360.0)
        case Arc(_, centre, radius, begin, finish):
            return _round(centre, radius, begin, (finish - begin) % 360.0)
        case _:
            return np.array(list(corners(item)))


def _between(a: Place, b: Place) -> Floats:
    count = max(2, math.ceil(math.dist(a, b) / _STEP) + 1)
    return np.linspace(a, b, count)


def _round(centre: Place, radius: float, begin: float, turn: float) -> Floats:
    count = max(8, math.ceil(math.radians(turn) * radius / _STEP))
    angles = np.radians(begin + np.linspace(0.0, turn, count))
    return np.column_stack([centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles)])
