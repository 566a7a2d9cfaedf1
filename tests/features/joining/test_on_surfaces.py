"""Places on surfaces, pair by pair: distances in closed form, and equations against differences of these."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.features.joining.on_surfaces import equations, mean_squares
from pipeline.geometry import rigid
from pipeline.surfaces import Shape, row_of

PLANE = Shape("plane", np.array([0.0, 0.0, 3.0]), np.array([0.0, 0.0, 1.0]))
DRILL = Shape("cylinder", np.array([5.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), 4.0)
TABLE = np.array([row_of(PLANE), row_of(DRILL)])
PLACES = np.random.default_rng(3).uniform(-9.0, 9.0, (7, 3))
STARTS = np.array([0, 3, 7])
FIRST, SECOND = np.array([0, 1, 1]), np.array([1, 0, 1])
MOTION = rigid(Rotation.from_rotvec([0.3, -0.2, 0.5]).as_matrix(), np.array([1.0, 2.0, -1.0]))


def closed_form(motion: np.ndarray) -> list[np.ndarray]:
    """Of each pair the distances: z over the plane; from the axis, less the radius."""
    moved = PLACES @ motion[:3, :3].T + motion[:3, 3]
    to_plane = moved[:, 2] - 3.0
    to_drill = np.hypot(moved[:, 0] - 5.0, moved[:, 2]) - 4.0
    return [to_drill[:3], to_plane[3:], to_drill[3:]]


def test_mean_squares_are_those_in_closed_form() -> None:
    found = mean_squares(MOTION, PLACES, STARTS, FIRST, TABLE, SECOND)
    assert found == pytest.approx([np.mean(off**2) for off in closed_form(MOTION)], rel=1e-12)


def test_equations_are_differences_of_the_distances() -> None:
    centre, radius, weights = np.array([1.0, -2.0, 0.5]), 30.0, np.array([1.0, 0.3, 1.0])
    rows, right = equations(MOTION, PLACES, STARTS, FIRST, TABLE, SECOND, (centre, radius), weights)
    shares = np.sqrt(np.repeat(weights / [3, 4, 4], [3, 4, 4]))
    now = np.concatenate(closed_form(MOTION))
    assert right == pytest.approx(-shares * now, rel=1e-12)
    for k in range(6):
        step = 1e-6 * np.eye(6)[k]
        spin = Rotation.from_rotvec(step[3:] / radius).as_matrix()
        then = np.concatenate(closed_form(rigid(spin, centre - spin @ centre + step[:3]) @ MOTION))
        assert rows[:, k] == pytest.approx(shares * (then - now) / 1e-6, abs=1e-5)
