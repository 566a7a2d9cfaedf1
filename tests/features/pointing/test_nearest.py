"""Which feature a point means, on features made by hand: distances follow from their figures."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.pointing import is_far, meant, ranked
from pipeline.features.pointing.nearest import distance_of
from tests.features.made import block, bore, feature, plane, pose, posed

UP = (0.0, 0.0, 1.0)


@pytest.mark.parametrize(
    ("made", "place", "distance"),
    [
        (plane("p", (0, 0, 5), UP, area=np.pi * 100), (3, 4, 7), 2.0),
        (plane("p", (0, 0, 5), UP, area=np.pi * 100), (13, 0, 9), 5.0),  # beyond the round face of that area
        (bore("b", (0, 0, 0), UP, 10.0, 20), (12, 0, 3), 2.0),
        (bore("b", (0, 0, 0), UP, 10.0, 20), (1, 0, 3), 1.0),  # nearer to the axis
        (bore("b", (0, 0, 0), UP, 10.0, 20), (10, 0, 13), 3.0),  # beyond its end
        (feature("s", "sphere", (0, 0, 0), None, 7, "bore", 300), (0, 10, 0), 3.0),
        (feature("s", "sphere", (0, 0, 0), None, 7, "bore", 300), (0, 1, 0), 1.0),
    ],
)
def test_the_distance_is_from_what_was_seen_or_its_axis(made, place, distance) -> None:
    assert distance_of(made, np.array(place, float)) == pytest.approx(distance)
    matrix = pose(4)
    (moved,) = posed([made], matrix)
    assert distance_of(moved, (matrix @ [*place, 1.0])[:3]) == pytest.approx(distance)


def test_the_own_point_of_each_feature_means_it() -> None:
    """Rounded as it is printed; two of them lie on one axis, where nothing but their own points tells them apart."""
    features = [*block(), bore("counter", (0, 0, -10), UP, 30, 20), feature(
        "spigot", "cylinder", (0, 0, -22), UP, 57.0, "boss", 2000, 60.0)]  # fmt: skip
    for one in features:
        (found,) = meant(ranked(np.round(one.point + 0.004, 2), features))
        assert found.feature.id == one.id


def test_nearly_as_near_is_no_choice() -> None:
    pair = [bore("a", (0, 0, 0), UP, 2.0), bore("b", (10, 0, 0), UP, 2.0)]
    assert [p.feature.id for p in meant(ranked((4.9, 0, 0), pair))] == ["a", "b"]
    assert [p.feature.id for p in meant(ranked((3.0, 0, 0), pair))] == ["a"]
    coaxial = [bore("seat", (0, 0, 0), UP, 31.0, 30), feature("spigot", "cylinder", (0, 0, 2), UP, 57, "boss", 9, 30)]
    assert {p.feature.id for p in meant(ranked((0, 0, 5), coaxial))} == {"seat", "spigot"}
    assert meant(ranked((0, 0, 0), [])) == []


def test_what_is_far_away_is_not_meant() -> None:
    small, large = bore("small", (0, 0, 0), UP, 3.0, 20), bore("large", (0, 0, 0), UP, 40.0, 20)
    for made, off, far in ((small, 4.9, False), (small, 5.1, True), (large, 39.0, False), (large, 41.0, True)):
        (found,) = ranked((0, 0, 10 + off), [made])
        assert found.distance == pytest.approx(off)
        assert is_far(found) is far
    (face,) = ranked((0, 0, 30), [plane("p", (0, 0, 0), UP, area=3600)])
    assert not is_far(face)
