"""Features of several scans: the textbook's weighted mean, and what an error of a scan's pose does by rigid motion.

Covers: pipeline.features.uncertainty.several_scans

Truths: of two means the one weighed by 1 / sigma^2 has the variance 1 / (n1 / s1^2 + n2 / s2^2) (Bevington and
Robinson, Data Reduction and Error Analysis, 3rd ed. 2003, 4.1, from memory); and shapes that were really moved.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.features.uncertainty import Share, all_known, posed_too, weighed_together
from pipeline.geometry import rigid
from pipeline.surfaces import Shape, seen_from
from pipeline.values import NoiseModel, Uncertainty

FAR = np.array([300.0, -120.0, 80.0])  # from the origin, about which a pose's turn is told
Z = np.array([0.0, 0.0, 1.0])
SIDE = np.arange(-10.0, 10.5)
GRID = np.stack(np.meshgrid(SIDE, SIDE, [0.0]), axis=-1).reshape(-1, 3) + FAR


def white(sigma: float) -> NoiseModel:
    return NoiseModel(sigma, sigma, np.array([[sigma, 0.0]]), "white noise alone")


def share(sigma: float, pose: np.ndarray | None = None, weight: float = 1.0) -> Share:
    return Share(GRID, np.full(len(GRID), weight), white(sigma), None if pose is None else all_known(pose))


def turning_about(centre: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """(6, 6) covariance of a pose whose one error is a turn about a place: shift = -turn x centre."""
    error = np.r_[-np.cross(turn, centre), turn]
    return np.outer(error, error)


def test_two_scans_are_known_as_the_weighted_mean_is() -> None:
    flat = Shape("plane", GRID.mean(axis=0), Z)
    fine, rough = 0.004, 0.02
    found, _ = weighed_together(flat, [share(fine, weight=fine**-2), share(rough, weight=rough**-2)])
    n = len(GRID)
    assert found.position == pytest.approx((n / fine**2 + n / rough**2) ** -0.5, rel=2e-3)


def test_a_pose_that_turns_about_a_face_tilts_it_and_leaves_it_where_it_is() -> None:
    flat, turn = Shape("plane", FAR, Z), np.array([2e-4, 0.0, 0.0])
    pose = turning_about(FAR, turn)
    moved = seen_from(flat, small(pose))
    alone, _ = weighed_together(flat, [share(1e-6, pose)])
    assert alone.position < 1e-5
    assert alone.direction == pytest.approx(float(np.linalg.norm(moved.direction - Z)), rel=1e-3)
    # Of two scans as many points of the one hold still.
    both, _ = weighed_together(flat, [share(1e-6), share(1e-6, pose)])
    assert both.direction == pytest.approx(alone.direction / 2.0, rel=1e-3)


@pytest.mark.parametrize("turn", [(1e-6, 0.0, 0.0), (0.0, 1e-6, 0.0)])
@pytest.mark.parametrize("about", [FAR, np.zeros(3)])
def test_an_axis_goes_with_its_set_up_as_a_rigid_body(turn: tuple[float, float, float], about: np.ndarray) -> None:
    axis, basis = Shape("cylinder", FAR, Z, 12.0), np.eye(3)[:2]
    names, none = ("u", "v", "a", "b", "r"), np.zeros((5, 5))
    known = Uncertainty(0.0, 0.0, 0.0, "exact", names, none, basis)
    pose = turning_about(about, np.array(turn))
    found = posed_too(known, axis, all_known(pose))
    moved = seen_from(axis, small(pose))
    # Where the moved axis crosses the plane through the old point, and how its direction changed.
    assert moved.direction is not None
    foot = moved.point + (FAR - moved.point)[2] / moved.direction[2] * moved.direction
    off = np.r_[basis @ (foot - FAR), basis @ moved.direction]
    assert found.covariance is not None
    size = max(turn) ** 2  # what the motion does in second order is a millionth of that
    assert found.covariance[:4, :4] / size == pytest.approx(np.outer(off, off) / size, rel=1e-3, abs=0.1)
    assert found.covariance[4, 4] == 0.0


def small(pose: np.ndarray) -> np.ndarray:
    """(4, 4) the motion by the one error that a covariance of rank 1 holds."""
    values, ways = np.linalg.eigh(pose)
    error = np.sqrt(values[-1]) * ways[:, -1]
    return rigid(Rotation.from_rotvec(error[3:]).as_matrix(), error[:3])
