"""What is told of a set-up: its corner, its scale, and its facets, by formula and by hand.

Covers: pipeline.stages.join, pipeline.stages.export, pipeline.formats.datum_file.feature_parts, pipeline.values.joined
"""

from __future__ import annotations

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
from pipeline.stages.export import _scan_of
from pipeline.stages.join import _cautions, _undecided
from pipeline.values import FILLED, Bend, CleanResult, JoinResult, Outcome, SetUpJoin, Surface
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
    # 95 % of a triple: chi of three degrees of freedom.
    assert at_corner(turning(), points) == pytest.approx(np.sqrt(chi2.ppf(0.95, 3)) * moved, rel=3e-3)


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
