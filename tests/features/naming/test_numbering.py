"""Short numbers: a letter for kind and side, largest first, round a circle where sizes are one."""

from __future__ import annotations

import numpy as np

from pipeline.features.naming.numbering import numbers_for
from tests.features.made import bore, feature, plane, pose, posed

UP = (0.0, 0.0, 1.0)


def flange(count: int = 6, start: float = 0.3) -> list:
    """A face, a bore and holes on a circle about it, off the middle of a foot that is far away."""
    turns = start + 2.0 * np.pi * np.arange(count) / count
    holes = [
        bore("", (50.0 * np.cos(t), 50.0 * np.sin(t), -5.0), UP, 4.5 + 0.002 * (-1) ** k) for k, t in enumerate(turns)
    ]
    return [
        *holes,
        bore("", (0, 0, -10), UP, 30.0),
        plane("", (0, 0, 0), UP, 8000),
        plane("", (200, 10, -60), (1, 0, 0), 9000),
    ]


def test_letters_are_those_of_the_kinds_and_the_largest_is_first() -> None:
    found = [
        bore("", (0, 0, 0), UP, 5.0),
        feature("", "cylinder", (0, 0, 40), UP, 30.0, "boss"),
        plane("", (0, 0, 0), UP, 100.0),
        bore("", (30, 0, 0), UP, 12.0),
        plane("", (0, 0, -9), UP, 900.0),
        feature("", "sphere", (9, 9, 9), None, 7.0, "bore"),
        feature("", "cone", (0, 0, 9), UP, 7.0, "bore", length=4.0, half_angle=0.5),
        feature("", "torus", (0, 0, 9), UP, 2.0, "bore", major_radius=20.0),
    ]
    assert numbers_for(found) == ["H2", "S1", "F2", "H1", "F1", "B1", "T1", "G1"]


def test_holes_of_a_circle_are_counted_round_it() -> None:
    """Counter-clockwise as seen from outside, which is from above here: the foot lies below."""
    numbers = numbers_for(flange())
    assert numbers[6:] == ["H1", "F2", "F1"]
    first = numbers.index("H2")
    assert [numbers[(first + k) % 6] for k in range(6)] == [f"H{k}" for k in range(2, 8)]


def test_they_are_the_same_however_the_scan_lies() -> None:
    for seed in range(5):
        assert numbers_for(posed(flange(), pose(seed))) == numbers_for(flange())


def test_they_are_the_same_in_whatever_order_features_were_found() -> None:
    found, order = flange(), np.random.default_rng(3).permutation(9)
    mixed = numbers_for([found[k] for k in order])
    assert [mixed[list(order).index(k)] for k in range(9)] == numbers_for(found)


def test_the_count_goes_on_after_the_highest_that_was_ever_given() -> None:
    assert numbers_for([bore("", (0, 0, 0), UP, 5.0)], ["H3", "H17", "F40", "gap-90"]) == ["H18"]
    assert numbers_for([], ["H3"]) == []


def test_holes_on_one_axis_all_have_a_number() -> None:
    found = [bore("", (0, 0, -20.0 * k), UP, 5.0) for k in range(4)]
    assert sorted(numbers_for(found)) == ["H1", "H2", "H3", "H4"]
