"""Exclusion zones: what lies in them, by hand and against a solid's hull."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from pipeline.errors import SettingsError
from pipeline.features.exclusion.zones import inside
from pipeline.job import Zone, make_job
from pipeline.values import Extent, Feature, Form, Uncertainty

POINTS = np.random.default_rng(0).uniform(-30, 30, (4000, 3))


def _bore(point, direction, radius: float, along: tuple[float, float]) -> Feature:
    return Feature(
        id="bore-3",
        kind="cylinder",
        side="bore",
        point=np.array(point, dtype=float),
        direction=np.array(direction, dtype=float),
        radius=radius,
        uncertainty=Uncertainty(None, None, None, "given"),
        form=Form(0.01, 0.05, 1.0, "cylindricity"),
        extent=Extent(area=100.0, facets=100, length=along[1] - along[0], arc=2 * np.pi, along=along),
        name="seat",
    )


def test_shapes_hold_what_trimesh_says_they_hold() -> None:
    box = Zone(shape="box", coordinates="scan", low=(10, -5, -20), high=(-10, 15, 5))
    x, y, z = POINTS.T
    expected = (np.abs(x) <= 10) & (np.abs(y - 5) <= 10) & (np.abs(z + 7.5) <= 12.5)
    np.testing.assert_array_equal(inside(box, POINTS), expected)

    ball = Zone(shape="sphere", coordinates="scan", centre=(5, 5, 5), radius=12)
    np.testing.assert_array_equal(inside(ball, POINTS), np.linalg.norm(POINTS - 5, axis=1) < 12)

    start, end = np.array([-10.0, 0, 5]), np.array([10.0, 12, -8])
    rod = Zone(shape="cylinder", coordinates="scan", start=tuple(start), end=tuple(end), radius=9)
    solid = trimesh.creation.cylinder(9, segment=[start, end], sections=360)
    hull = ConvexHull(solid.vertices)
    held = (POINTS @ hull.equations[:, :3].T + hull.equations[:, 3] <= 0).all(axis=1)
    # The solid is a prism of 360 sides: only points on its skin may differ.
    assert (inside(rod, POINTS) != held).sum() <= 4

    half = Zone(shape="half-space", coordinates="scan", point=(0, 0, 7), direction=(0, 0, -3))
    np.testing.assert_array_equal(inside(half, POINTS), POINTS[:, 2] <= 7)


def test_part_coordinates_go_through_the_matrix() -> None:
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_euler("xyz", [20, -50, 130], degrees=True).as_matrix()
    matrix[:3, 3] = [5, -40, 12]
    zone = Zone(shape="box", low=(0, -60, 0), high=(30, -20, 30), part_frame=tuple(map(tuple, matrix.tolist())))
    in_part = trimesh.transform_points(POINTS, matrix)
    np.testing.assert_array_equal(
        inside(zone, POINTS), inside(zone.model_copy(update={"coordinates": "scan"}), in_part)
    )
    assert inside(zone, POINTS).any()
    with pytest.raises(SettingsError, match="scan: "):
        inside(zone.model_copy(update={"part_frame": None}), POINTS)


def test_the_frame_of_a_zone_is_a_rigid_motion() -> None:
    zone = {"shape": "sphere", "centre": [0, 0, 0], "radius": 5}
    skewed = [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 2, 0], [0, 0, 0, 1]]
    mirrored = [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, -1, 0], [0, 0, 0, 1]]
    for wrong in (skewed, mirrored):
        with pytest.raises(SettingsError, match="a rotation and a shift"):
            make_job({"scan": "x.stl", "clean": {"exclude": [zone | {"part_frame": wrong}]}})
    turned = [[0, -1, 0, 5], [1, 0, 0, 6], [0, 0, 1, 7], [0, 0, 0, 1]]
    assert (
        make_job({"scan": "x.stl", "clean": {"exclude": [zone | {"part_frame": turned}]}}).clean.exclude[0].part_frame
    )


@pytest.mark.parametrize(
    ("zone", "words"),
    [
        ({"shape": "cylinder", "start": [1, 2, 3], "end": [1, 2, 3], "radius": 2}, "same point"),
        ({"shape": "half-space", "point": [1, 2, 3], "direction": [0, 0, 0]}, "direction other than"),
        ({"shape": "box", "low": [1, 2, 3]}, "needs high"),
        ({"shape": "sphere", "centre": [1, 2, 3], "radius": -1}, "greater than 0"),
    ],
)
def test_a_zone_that_holds_nothing_by_its_making_is_refused(zone: dict, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        make_job({"scan": "x.stl", "clean": {"exclude": [zone]}})


def _blind_hole(depth: float = 40.0) -> np.ndarray:
    """Points of a blind bore of radius 10 along -z from a face at z = 0, dirt at its bottom, and the face."""
    rng = np.random.default_rng(1)
    angle = rng.uniform(0, 2 * np.pi, 3000)
    wall = np.stack([10 * np.cos(angle), 10 * np.sin(angle), -rng.uniform(0, depth, 3000)], axis=1)
    face = np.stack([*rng.uniform(-25, 25, (2, 4000)), np.zeros(4000)], axis=1)
    face = face[np.hypot(face[:, 0], face[:, 1]) > 10]
    dirt = rng.uniform(-6, 6, (500, 3)) - np.array([0, 0, 33])
    return np.concatenate([wall, face, dirt])


@pytest.mark.parametrize("direction", [(0, 0, 1), (0, 0, -1)])
@pytest.mark.parametrize("name", ["bore-3", "seat"])
def test_depth_is_counted_from_the_mouth(direction: tuple, name: str) -> None:
    points = _blind_hole()
    bore = _bore((0, 0, -20), direction, 10, (-20, 20))
    for beyond in (0.0, 30.0):
        zone = Zone(shape="inside", feature=name, beyond=beyond)
        mask = inside(zone, points, features=[bore])
        radius = np.hypot(points[:, 0], points[:, 1])
        np.testing.assert_array_equal(mask, (radius < 9.7) & (points[:, 2] < -beyond))
        assert mask.any()


def test_a_through_bore_has_two_mouths() -> None:
    points = _blind_hole()
    other = points[np.abs(points[:, 2]) < 1e-9] - [0, 0, 40]
    zone = Zone(shape="inside", feature="bore-3", beyond=15)
    mask = inside(zone, np.concatenate([points, other]), features=[_bore((0, 0, -20), (0, 0, 1), 10, (-20, 20))])
    z = np.concatenate([points, other])[mask][:, 2]
    # 15 mm from either end: between -25 and -15, where the dirt begins at -27: none of it.
    assert len(z) == 0
    zone = Zone(shape="inside", feature="bore-3", beyond=10)
    mask = inside(zone, np.concatenate([points, other]), features=[_bore((0, 0, -20), (0, 0, 1), 10, (-20, 20))])
    z = np.concatenate([points, other])[mask][:, 2]
    assert len(z)
    assert z.min() > -30


def test_a_feature_that_is_not_there_is_said() -> None:
    with pytest.raises(SettingsError, match=r"no such feature; bores here: bore-3"):
        inside(
            Zone(shape="inside", feature="bore-9", beyond=0),
            POINTS,
            features=[_bore((0, 0, 0), (0, 0, 1), 5, (-1, 1))],
        )
