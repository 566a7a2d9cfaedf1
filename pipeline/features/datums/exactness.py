"""All of a part's deviations from exactly parallel, square, coaxial and intersecting, judged together."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from pipeline.features.datums.datum_system import Datums
from pipeline.features.datums.orientation_deviation import square_up
from pipeline.features.relations import ideas, relations
from pipeline.features.uncertainty import LEVEL, holm
from pipeline.values import Relation, SquareUp


class Exactness(NamedTuple):
    """Relations of two features each, features against the datums, and how many tests that took.

    The same idea of the same two counts once.
    """

    relations: tuple[Relation, ...]
    square_up: tuple[SquareUp, ...]
    tests: int


def exactness(datums: Datums) -> Exactness:
    """What holds between the features, and how far they are from parallel, square and coaxial to the datums.

    All is one family of tests, so that no table says of a pair what another one denies: of exact parts at most one in
    twenty has anything at all that stands out falsely (Holm 1979).

    >>> from tests.features.made import plane
    >>> from pipeline.features.datums import choose, reach_of
    >>> leaning = (0.0, np.sin(np.radians(0.5)), np.cos(np.radians(0.5)))
    >>> features = (plane('base', (0.0, 0.0, 0.0), (0.0, 0.0, -1.0)), plane('top', (0.0, 0.0, 40.0), leaning))
    >>> found = exactness(Datums((choose('base', features, {}),), features, reach_of(features)))
    >>> [(row.feature, row.kind, row.significant) for row in found.square_up], found.relations[0].kind, found.tests
    ([('top', 'parallel', True)], 'angle', 1)
    """
    rows = square_up(datums)
    chances = ideas(datums.features)
    # The two ways of working out one pair's chance agree but for rounding.
    for row, idea in rows:
        if row.p is not None:
            chances.setdefault(idea, row.p)
    adjusted = dict(zip(chances, holm(list(chances.values())).tolist(), strict=True))
    judged = []
    for row, idea in rows:
        if row.p is not None:
            row = replace(row, p=chances[idea], p_adjusted=adjusted[idea], significant=adjusted[idea] <= LEVEL)
        judged.append(row)
    return Exactness(relations(datums.features, adjusted), tuple(judged), len(chances))
