"""Short numbers as a shop writes them: a letter for the kind of surface and its side, and a count, largest first.

Features of one size are counted round their middle, as the holes of a bolt circle are: counter-clockwise as seen from
outside, from the one that lies farthest out of the part. All of it is the same however the scan lies in space; which
of two features that noise alone tells apart comes first is not, so that numbers of an earlier run are carried over and
not made again.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

import numpy as np

from pipeline.geometry import Floats, basis_of, rejection
from pipeline.surfaces import kind_of
from pipeline.values import Feature

SAME_SIZE, LEAST_STEP = 0.005, 0.03  # share, and mm: sizes nearer to each other than both are one size
SAME_WAY = np.cos(np.radians(3.0))


def numbers_for(features: Sequence[Feature], taken: Iterable[str] = ()) -> list[str]:
    """A short number for each feature, none of `taken`: of each letter the count goes on after the highest one.

    >>> from tests.features.made import bore, plane
    >>> up = (0.0, 0.0, 1.0)
    >>> found = [bore('', (9.0, 0.0, 0.0), up, 3.0), plane('', (0.0, 0.0, 0.0), up), bore('', (0.0, 0.0, 0.0), up, 5.0)]
    >>> numbers_for(found), numbers_for(found, ['H4', 'F1'])
    (['H2', 'F1', 'H1'], ['H6', 'F2', 'H5'])
    """
    highest: dict[str, int] = {}
    for ident in taken:
        if match := re.fullmatch(r"([A-Z]+)([0-9]+)", ident):
            highest[match[1]] = max(highest.get(match[1], 0), int(match[2]))
    out = [""] * len(features)
    letters = [kind_of(f).letter(f.side) for f in features]
    for letter in dict.fromkeys(letters):
        mine = [i for i, other in enumerate(letters) if other == letter]
        for count, i in enumerate(_in_order(mine, features), highest.get(letter, 0) + 1):
            out[i] = f"{letter}{count}"
    return out


def _in_order(mine: Sequence[int], features: Sequence[Feature]) -> list[int]:
    """By size, the largest first, and among those of one size by place."""
    area = np.array([max(f.extent.area, 1e-9) for f in features])
    middle = area @ np.array([f.point for f in features]) / area.sum()
    falling = sorted(mine, key=lambda i: -_size(features[i]))
    alike: list[list[int]] = []
    for i in falling:
        size = _size(features[i])
        if alike and _size(features[alike[-1][-1]]) - size <= max(LEAST_STEP, SAME_SIZE * size):
            alike[-1].append(i)
        else:
            alike.append([i])
    out: list[int] = []
    for group in alike:
        sets = _by_direction(group, features)
        sets.sort(key=lambda one: (-len(one), -_farthest(one, features, middle)))
        for one in sets:
            out += _round(one, features, middle)
    return out


def _size(feature: Feature) -> float:
    """What a feature is told from others of its kind by, mm."""
    return feature.major_radius or feature.radius or float(np.sqrt(max(feature.extent.area, 0.0)))


def _by_direction(group: Sequence[int], features: Sequence[Feature]) -> list[list[int]]:
    sets: list[list[int]] = []
    for i in group:
        mine = features[i].direction
        for one in sets:
            other = features[one[0]].direction
            if mine is None or other is None or abs(float(mine @ other)) > SAME_WAY:
                one.append(i)
                break
        else:
            sets.append([i])
    return sets


def _farthest(one: Sequence[int], features: Sequence[Feature], middle: Floats) -> float:
    return max(float(np.linalg.norm(features[i].point - middle)) for i in one)


def _round(one: list[int], features: Sequence[Feature], middle: Floats) -> list[int]:
    """Counter-clockwise as seen from outside, from the one that lies farthest from the part's middle."""
    one = sorted(one, key=lambda i: -float(np.linalg.norm(features[i].point - middle)))
    if len(one) < 3:
        return one
    points = np.array([features[i].point for i in one])
    centre = points.mean(axis=0)
    axis = features[one[0]].direction
    if axis is None:
        axis = np.linalg.svd(points - centre)[2][2]
    if float(axis @ (centre - middle)) < 0.0:
        axis = -axis
    first = rejection(points[0] - centre, axis)
    if float(np.linalg.norm(first)) < 1e-9:
        first = basis_of(axis)[0]
    first = first / np.linalg.norm(first)
    second = np.cross(axis, first)
    # Those of one angle, as on one axis, follow each other from the outside in.
    turn = np.arctan2((points - centre) @ second, (points - centre) @ first)
    turn = np.where(turn < -1e-3, turn + 2.0 * np.pi, turn)
    return [one[k] for k in sorted(range(len(one)), key=lambda k: (round(float(turn[k]), 2), k))]
