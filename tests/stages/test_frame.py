"""The frame stage on made-up features and on a plain mesh.

Covers: pipeline.features.datums.proposals, pipeline.features.datums.orientation_deviation
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.features.datums.proposals import complete, main_bore, proposals
from pipeline.features.relations.patterns import find_patterns
from pipeline.job import FrameSettings
from pipeline.stages.frame import frame
from pipeline.values import FillResult
from pipeline.values.surface import Surface
from tests.features.made import block, bore, feature, plane, pose, posed, recovered, uncertainty


def run(features, **settings):
    empty = FillResult(Surface.measured(np.zeros((3, 3)), np.array([[0, 1, 2]])), np.array([-1], np.int32), ())
    names = settings.pop("names", {})
    return frame(recovered(features), empty, FrameSettings(**settings), names)


def test_proposes_largest_face_main_bore_and_a_third() -> None:
    result = run(posed(block(), pose(1)))
    assert [d.letter for d in result.frame.datums] == ["A", "B", "C"]
    assert result.frame.datums[0].feature == "top"
    assert result.frame.complete
    assert "main" in [d.feature for d in result.frame.datums]
    assert result.frame.covariance is not None
    assert len(result.proposals) >= 3
    assert any("largest" in r or "face of" in r for r in result.frame.reasons)
    # What A fixes is exact by definition: what the frame shares with it cancels.
    top = next(place for place in result.in_part if place.feature == "top")
    assert top.position == pytest.approx(0.0, abs=1e-9)


def test_the_users_choice() -> None:
    matrix = pose(2)
    place = matrix[:3, :3] @ [25, 0, -20] + matrix[:3, 3]
    nearest = f"bore nearest scan: [{place[0]}, {place[1]}, {place[2]}]"
    result = run(
        posed(block(), matrix), A="top", B=nearest, C="wall", x="out of C", z="out of A", names={"wall": "left"}
    )
    assert [d.feature for d in result.frame.datums] == ["top", "main", "left"]
    (taken,) = result.taken
    assert (taken.setting, taken.feature) == ("frame.B", "main")
    assert taken.distance == pytest.approx(0.0, abs=1e-9)
    part = result.frame.matrix @ matrix
    np.testing.assert_allclose(part[:3, 3], 0.0, atol=1e-9)
    np.testing.assert_allclose(part[0, :3], [-1, 0, 0], atol=1e-9)


def test_what_is_left_open_is_filled_and_said() -> None:
    result = run(block(), A="main")
    assert result.frame.complete
    assert any("leaves open" in c for c in result.cautions)


@pytest.mark.parametrize(
    ("settings", "why"),
    [
        ({"B": "main"}, "B is chosen but A is not"),
        ({"A": "top", "C": "main"}, "C is chosen but B is not"),
        ({"A": "top", "B": "bottom"}, "constrains nothing"),
        ({"A": "nothing"}, "no feature 'nothing'"),
        ({"A": "main", "B": "top", "C": "coax"}, "constrains nothing"),
        ({"A": "top", "z": "sideways"}, "can't be 'sideways'"),
    ],
)
def test_choices_that_make_no_sense(settings, why) -> None:
    with pytest.raises(SettingsError, match=why):
        run(block(), **settings)


def test_points_on_one_line_can_not_stop_the_turn_about_it() -> None:
    features = [feature(f"b{k}", "sphere", (0, 0, 30 * k), None, 5, "bore", 100) for k in range(3)]
    with pytest.raises(SettingsError, match="Datum C constrains nothing"):
        run(features, A="b0", B="b1", C="b2")
    result = run(features, A="b0", B="b1")
    assert not result.frame.complete
    assert any("rz" in r for r in result.frame.reasons)


def test_a_part_that_gives_too_little() -> None:
    result = run([bore("only", (1, 2, 3), (0, 0, 1), 20)])
    assert not result.frame.complete
    assert result.frame.covariance is None
    assert any("incomplete" in c for c in result.cautions)
    result = run([])
    assert not result.frame.complete
    np.testing.assert_array_equal(result.frame.matrix, np.eye(4))


def test_low_confidence_is_said() -> None:
    from dataclasses import replace

    features = [replace(f, confidence="low", reasons=("short arc",)) if f.id == "main" else f for f in block()]
    result = run(features, A="top", B="main", C="left")
    assert any("not to be relied on" in c and "short arc" in c for c in result.cautions)


def test_square_up_of_a_tilted_wall() -> None:
    """A wall 0.1 deg out of square over its 70 mm, and a bore 0.3 mm off the axis."""
    tilt = np.radians(0.1)
    features = [f for f in block() if f.id not in ("front", "coax")]
    features += [
        plane("front", (1, -40, -20), (0, -np.cos(tilt), np.sin(tilt)), 4000),
        bore("coax", (0.3, 0, -42), (0, 0, -1), 15, 6),
    ]
    result = run(features, A="top", B="main", C="left")
    wall = next(s for s in result.square_up if s.feature == "front" and s.datum == "A")
    assert wall.kind == "square"
    assert wall.angle == pytest.approx(tilt, rel=1e-9)
    assert wall.over == pytest.approx(np.tan(tilt) * 2 * np.sqrt(4000 / np.pi))
    assert wall.significant
    # Both normals turn by 6e-5 and 4e-5 rad about the axis that counts (SIGMAS of the made-up features).
    assert 5e-5 < wall.angle_uncertainty < 9e-5
    off = next(s for s in result.square_up if s.feature == "coax" and s.datum == "B")
    assert (off.kind, off.offset) == ("coaxial", pytest.approx(0.3))
    assert off.significant
    true = next(s for s in result.square_up if s.feature == "left" and s.datum == "A")
    assert not true.significant


def test_main_bore_is_of_the_group_with_most_area() -> None:
    features = [
        bore("alone", (80, 0, 0), (0, 0, 1), 20, 30),
        bore("seat-1", (0, 0, 0), (0, 0, 1), 18, 25),
        bore("seat-2", (0, 0, 60), (0, 0, 1), 16, 25),
    ]
    patterns = find_patterns(features)
    assert main_bore(features, patterns).id == "seat-1"
    offered = proposals([*features, plane("base", (0, 0, -10), (0, 0, -1), 5000), *_walls()], patterns)
    assert any(p.datums.choices[0].make == "common axis" for p in offered)
    assert all(p.frame.complete for p in offered[:3])


def test_a_groove_is_a_datum_only_where_it_is_asked_for() -> None:
    # On an axis of its own and better known than all else, so that by its merit alone it would be taken.
    ring = feature(
        "groove", "torus", (30, 20, 0), (0, 0, 1), 2.4, "bore", 9000.0, major_radius=40.0,
        uncertainty=uncertainty("torus", (0, 0, 1), 0.01),
    )  # fmt: skip
    features = [plane("base", (0, 0, 0), (0, 0, 1), 9000), bore("main", (0, 0, -20), (0, 0, 1), 25, 40), ring]
    features += _walls()
    assert "groove" not in [d.feature for d in run(features).frame.datums]
    for offered in proposals(features, find_patterns(features)):
        assert all("groove" not in choice.members for choice in offered.datums.choices)
    asked = run(features, A="base", B="main", C="groove")
    assert [d.feature for d in asked.frame.datums] == ["base", "main", "groove"]


def _walls():
    return [plane("w1", (60, 0, 20), (1, 0, 0), 3000), plane("w2", (0, 60, 20), (0, 1, 0), 2500)]


def test_completion_prefers_the_third_datum_that_errs_least() -> None:
    features = [
        plane("base", (0, 0, 0), (0, 0, 1), 9000),
        bore("main", (0, 0, -20), (0, 0, 1), 25, 40),
        bore("near", (20, 0, -10), (0, 0, 1), 5, 20),
        bore("far", (150, 0, -10), (0, 0, 1), 5, 20),
    ]
    made = complete((), features, ())
    assert [c.label for c in made.datums.choices] == ["base", "main", "far"]
