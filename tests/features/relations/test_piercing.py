"""Holes and the faces that they start from, on exact features: where a line meets a plane is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from skspatial.objects import Line, Plane

from pipeline.features.relations.piercing import mouth, pierced_face, pierces
from tests.features.made import bore, plane, uncertainty

FACE = plane("face", [0, 0, 0], [0, 0, 1], area=900.0)


@pytest.mark.parametrize(
    ("hole", "expected"),
    [
        (bore("in it", [5, 2, -10], [0, 0, 1], 4.0), True),
        (bore("the other way round", [5, 2, -10], [0, 0, -1], 4.0), True),
        (bore("under a chamfer", [5, 2, -12], [0, 0, 1], 4.0), True),
        (bore("too deep down", [5, 2, -14], [0, 0, 1], 4.0), False),
        (bore("above it", [5, 2, 10], [0, 0, 1], 4.0), False),
        (bore("far aside", [90, 0, -10], [0, 0, 1], 4.0), False),
        (bore("slanting", [5, 2, -10], [0, np.sin(0.2), np.cos(0.2)], 4.0), False),
    ],
    ids=lambda value: value.id if hasattr(value, "id") else "",
)
def test_which_holes_start_at_a_face(hole, expected) -> None:
    assert pierces(hole, FACE) == expected
    assert (pierced_face([hole], [FACE]) is FACE) == expected


def test_the_largest_face_that_all_start_from() -> None:
    larger = plane("larger", [0, 0, -0.5], [0, 0, 1], area=1600.0)
    holes = [bore("a", [5, 0, -10], [0, 0, 1], 3.0), bore("b", [-5, 0, -10], [0, 0, 1], 3.0)]
    assert pierced_face(holes, [FACE, larger]) is larger
    assert pierced_face([*holes, bore("c", [0, 0, 40], [0, 0, 1], 3.0)], [FACE, larger]) is None


@pytest.mark.parametrize("tilt", [0.0, 0.02, 0.05])
def test_mouth_of_a_hole_known_well_is_where_its_axis_meets_the_plane(tilt) -> None:
    axis = np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    hole = bore("hole", [5, 2, -10], axis, 4.0)
    place, away = mouth(hole, FACE.point, FACE.direction, 1e-5)
    met = Plane(FACE.point, FACE.direction).intersect_line(Line(hole.point, hole.direction))
    np.testing.assert_allclose(place, met, atol=1e-12)
    assert away == pytest.approx(np.linalg.norm(met - hole.point))


def test_a_tilt_within_its_uncertainty_is_none() -> None:
    axis = np.array([np.sin(0.02), 0.0, np.cos(0.02)])
    unsure = uncertainty("cylinder", axis, scale=1000.0)
    hole = bore("hole", [5, 2, -10], axis, 4.0, uncertainty=unsure)
    np.testing.assert_allclose(mouth(hole, FACE.point, FACE.direction, 1e-5)[0], [5, 2, 0], atol=1e-12)
