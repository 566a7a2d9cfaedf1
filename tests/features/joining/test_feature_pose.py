"""Scans laid on each other by their features: right within what is said, and what has moved is told.

Covers: pipeline.features.joining.feature_pose

Truth is the motion that made the one set of features of the other; how often the region of 95 % holds it is held
against the chi-squared distribution of six degrees of freedom (scipy.stats).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import binom, chi2

from pipeline.features.joining import joined_by_features
from pipeline.geometry import rigid, small_motion
from tests.features.made import block, feature, pose, posed

ALL = [(k, k) for k in range(11)]
ROUGH = rigid(Rotation.from_rotvec([0.01, 0.0, -0.02]).as_matrix(), np.ones(3))


def seen(features, rng: np.random.Generator, scale: float = 1.0):
    """The features as a fit would give them: off by what their uncertainties say."""
    out = []
    for f in features:
        known = f.uncertainty
        known = replace(
            known, covariance=scale**2 * known.covariance, position=scale * known.position, direction=scale * 6e-5
        )
        off = dict(zip(known.names, rng.multivariate_normal(np.zeros(len(known.names)), known.covariance), strict=True))
        u, v = known.basis
        w = np.cross(u, v)
        point = f.point + off.get("u", 0.0) * u + off.get("v", 0.0) * v + off.get("w", 0.0) * w
        direction = f.direction
        if direction is not None:
            direction = direction + off["a"] * u + off["b"] * v
            direction = direction / np.linalg.norm(direction)
        radius = None if f.radius is None else f.radius + off["r"]
        out.append(replace(f, point=point, direction=direction, radius=radius, uncertainty=known))
    return out


def test_the_region_of_95_percent_holds_the_motion_as_often_as_it_says() -> None:
    rng = np.random.default_rng(41)
    runs, within, alarms = 150, 0, 0
    for k in range(runs):
        motion = pose(k)
        found = joined_by_features(
            seen(block(), rng), seen(posed(block(), motion), rng, 2.0), ALL, np.linalg.inv(motion) @ ROUGH
        )
        assert found is not None
        off = small_motion(found.motion @ motion)
        within += off @ np.linalg.inv(found.covariance) @ off < chi2.ppf(0.95, 6)
        alarms += len(found.apart) > 0
    low, high = binom.interval(0.999, runs, 0.95)
    assert low <= within <= high
    # Holm (1979): false alarms over all pairs together as often as in one test.
    assert alarms <= binom.ppf(0.999, runs, 0.05)


def test_a_face_that_has_moved_is_told_and_moves_nothing_else() -> None:
    motion = pose(7)
    rng = np.random.default_rng(42)
    made = block()
    made[0] = replace(made[0], point=made[0].point + 0.15 * made[0].direction)
    found = joined_by_features(seen(block(), rng), seen(posed(made, motion), rng), ALL, np.linalg.inv(motion) @ ROUGH)
    assert found is not None
    (moved,) = found.apart
    assert moved.pair == (0, 0)
    assert moved.off == pytest.approx(0.15, abs=2.0 * moved.expanded[0])
    assert moved.expanded[0] < 0.03
    assert np.abs(small_motion(found.motion @ motion)[:3]).max() < 0.02


def test_what_leaves_a_motion_free_gives_no_pose() -> None:
    shaft = [f for f in block() if f.direction is None or abs(f.direction[2]) > 0.9]
    coaxial = [f for f in shaft if f.id in ("main", "coax", "top")]
    assert joined_by_features(coaxial, coaxial, [(0, 0), (1, 1), (2, 2)], np.eye(4)) is None
    assert joined_by_features([], [], [], np.eye(4)) is None


def test_what_nothing_is_known_of_is_passed_over() -> None:
    doubtful = [*block(), feature("ring", "torus", (9, 9, 9), (0, 0, 1), 4.0, "groove", major_radius=20.0)]
    vouched = replace(doubtful[0], confidence="low")
    unsure = replace(doubtful[1], uncertainty=replace(doubtful[1].uncertainty, position=None))
    found = joined_by_features([vouched, unsure, *doubtful[2:]], doubtful, [(k, k) for k in range(12)], ROUGH)
    assert found is not None
    assert [one.pair[0] for one in found.used] == list(range(2, 12))


def test_axes_that_look_the_other_way_are_the_same_axes() -> None:
    around = [replace(f, direction=-f.direction) if f.kind == "cylinder" else f for f in block()]
    found = joined_by_features(block(), around, ALL, np.eye(4))
    assert found is not None
    np.testing.assert_allclose(found.motion, np.eye(4), atol=1e-12)
