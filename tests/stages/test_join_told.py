"""What is told of a set-up: its corner, its scale, and its facets, by formula and by hand.

Covers: pipeline.stages.join, pipeline.stages.export, pipeline.formats.datum_file.feature_parts, pipeline.values.joined
"""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from pipeline.features.joining import SetUpPose, at_corner
from pipeline.formats.datum_file import build
from pipeline.geometry import rigid
from pipeline.lengths import in_unit
from pipeline.report.feature_tables import set_up_section
from pipeline.report.figures import Figures
from pipeline.report.words import Words
from pipeline.stages.export import _scan_of
from pipeline.stages.join import _cautions, _undecided
from pipeline.values import FILLED, Bend, CleanResult, JoinResult, Outcome, SetUpJoin, SharedBall, Surface
from tests.outcomes import outcome

TURN = np.array([0.0, 0.0, 1e-4])
CENTRE = np.array([100.0, 40.0, 0.0])


def turning() -> np.ndarray:
    """(6, 6) covariance of a turn about a place aside, and nothing else."""
    error = np.r_[-np.cross(TURN, CENTRE), TURN]
    return np.outer(error, error)


def laid(**more: object) -> SetUpJoin:
    made = outcome()
    one = SetUpJoin(
        replace(made.source, file="below.stl"), made.recover.noise, 1, np.eye(4), turning(), 0.01, 0.5, 0.0, (), None,
        None,
        np.zeros((0, 3)), np.zeros(0), np.zeros(0), np.zeros(0, bool),
    )  # fmt: skip
    return replace(one, **more)


def test_a_corner_is_known_by_its_distance_from_what_the_pose_turns_about() -> None:
    points = np.array([[0.0, 0.0, 0.0], [100.0, 40.0, 0.0], [30.0, 90.0, 20.0]])
    corners = np.array([[x, y, z] for x in (0.0, 100.0) for y in (0.0, 90.0) for z in (0.0, 20.0)])
    moved = np.linalg.norm(np.cross(TURN, corners - CENTRE), axis=1).max()
    # A turn about a known axis moves a corner one way alone: chi of one degree of freedom.
    assert at_corner(turning(), points) == pytest.approx(np.sqrt(chi2.ppf(0.95, 1)) * moved, rel=1e-6)


@pytest.mark.parametrize("shifts", [(1.0, 0.5, 0.1), (1.0, 1.0, 0.3), (1.0, 0.25, 0.25), (1.0, 1.0, 1.0)])
def test_a_corner_lies_within_what_is_told_ninety_five_times_in_a_hundred(shifts: tuple[float, ...]) -> None:
    """Shifts drawn by lot (numpy): of 400,000 the share within is known to 0.04 %."""
    drawn = np.random.default_rng(5).standard_normal((400_000, 3)) * shifts
    told = at_corner(np.diag([*np.square(shifts), 0.0, 0.0, 0.0]), np.eye(3))
    assert np.mean(np.linalg.norm(drawn, axis=1) < told) == pytest.approx(0.95, abs=2e-3)


@pytest.mark.parametrize(("share", "said"), [(5e-4, "larger by 0.50"), (-5e-4, "smaller by 0.50"), (-1e-4, "")])
def test_a_scale_that_stands_out_is_told_either_way(share: float, said: str) -> None:
    told = _cautions([laid(scale=(share, 5e-5))], [])
    assert len(told) == bool(said)
    assert all(said in text for text in told)


@pytest.mark.parametrize(("chance", "said"), [(1e-4, "bent by 45"), (0.2, "")])
def test_a_bend_that_stands_out_is_told(chance: float, said: str) -> None:
    told = _cautions([laid(bend=Bend(0.045, 0.0051, 1e-4, 5e-5, 180.0, chance))], [])
    assert len(told) == bool(said)
    assert all(said in text and "(+- 10" in text and "over 180" in text for text in told)


def joined(seen_by: np.ndarray, one: SetUpJoin) -> Outcome:
    made = outcome()
    surface = Surface.measured(made.lighten.surface.vertices, made.lighten.surface.faces)
    clean = CleanResult(surface, (), area_in=0.0)
    everywhere = tuple((1, 2) for _ in made.recover.features)
    return replace(made, join=JoinResult(clean, made.recover, seen_by.astype(np.uint8), everywhere, (one,)))


def test_a_pose_is_written_in_mm_and_degrees() -> None:
    shared = laid(covariance=np.diag([1e-4, 4e-4, 9e-4, 1e-8, 4e-8, 9e-8]), scale=(2e-4, 5e-5), onto=1)
    (found,) = build(joined(np.zeros(outcome().lighten.surface.facets), shared)).set_ups
    assert found.uncertainty.translation == pytest.approx((0.01, 0.02, 0.03))
    assert found.uncertainty.rotation == pytest.approx(np.degrees([1e-4, 2e-4, 3e-4]))
    assert (found.scale, found.scale_uncertainty) == pytest.approx((0.2, 0.05))  # mm a metre


def test_each_reference_ball_has_a_line_of_its_own_in_the_report() -> None:
    balls = (
        SharedBall(np.array([10.0, 20.0, 30.0]), (20.013, 19.991), 0.0123, 0.0204, False),
        SharedBall(np.array([-40.0, 5.0, 1.0]), (20.002, 20.004), 0.0876, 0.0198, True),
    )
    data = build(joined(np.zeros(outcome().lighten.surface.facets), laid(balls=balls)))
    first, second = data.set_ups[0].balls
    assert (first.place, first.diameter_there, first.diameter) == ((10.0, 20.0, 30.0), 20.013, 19.991)
    assert (second.off, second.off_within, second.apart) == (0.0876, 0.0198, True)
    page = set_up_section(Figures(data, Words("mm")))
    lines = [line for line in page.split("<tr>") if ".balls." in line]
    assert len(lines) == 2
    assert "within noise" in lines[0]
    assert "stands out" in lines[1]
    assert re.search(r'data-at="set_ups.0.balls.1.off"[^>]*>88<', lines[1])
    bare = build(joined(np.zeros(outcome().lighten.surface.facets), laid()))
    assert "Reference balls" not in set_up_section(Figures(bare, Words("mm")))


def test_light_facets_name_the_set_up_that_saw_them_counted_from_one() -> None:
    light = outcome().lighten.surface
    across = light.vertices[light.faces].mean(axis=1)[:, 0]
    side = across > np.median(across)
    made = joined(side, laid())
    assert 0 < (light.origin == FILLED).sum() < side.sum() < light.facets
    told = _scan_of(light, made)
    assert told is not None
    assert (told == np.where(light.origin == FILLED, 0, np.where(side, 2, 1))).all()


def test_places_of_the_same_pairs_are_told_by_how_the_scan_would_turn_or_shift() -> None:
    """What they rest on is the same, so that no pair tells them apart: a quarter turn, and 30 mm along x."""
    quarter = rigid(Rotation.from_euler("z", 90, degrees=True).as_matrix(), np.zeros(3))
    at_x = rigid(np.eye(3), np.array([30.0, 0.0, 0.0]))
    first = SetUpPose(np.eye(4), np.eye(6), ((0, 0),), 0.0, 0.0, 0.0, 0.0, 0.2, np.empty((0, 6)), 5)
    poses = [first, replace(first, motion=quarter), replace(first, motion=at_x)]
    surface = Surface.measured(np.eye(3), np.zeros((0, 3), np.int32))
    scan = SimpleNamespace(features=outcome().recover.features, surface=surface)
    told = in_unit(_undecided(scan, scan, "a.stl", "b.stl", poses, True), "mm")  # type: ignore[arg-type]
    assert "(2) as (1), turned by 90 degrees" in told
    assert "(3) as (1), 30.00 mm from there" in told
    assert "same =" not in told
    assert "scan in between" in told
