"""What of a surface was seen: turns, polygons, islands and openings."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from pipeline.formats.step import trims


def grid(width: int, height: int, step: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.arange(width + 1) * step, np.arange(height + 1) * step)
    points = np.c_[x.ravel(), y.ravel()]
    k = np.arange((width + 1) * height).reshape(height, width + 1)[:, :-1].ravel()
    up = width + 1
    faces = np.concatenate([np.c_[k, k + 1, k + up + 1], np.c_[k, k + up + 1, k + up]]).astype(np.int32)
    return points, faces


def area(region: trims.Region) -> float:
    def one(loop: np.ndarray) -> float:
        x, y = loop.T
        return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))

    return one(region.outer) + sum(one(o) for o in region.openings)


@pytest.mark.parametrize(
    ("degrees", "expected"),
    [
        (np.arange(10, 200, 5.0), (10, 195)),
        (np.arange(300, 420, 5.0) % 360, (300, 415)),
        (np.arange(-170, 0, 10.0), (190, 350)),
        (np.arange(0, 360, 8.0), (0, 360)),
    ],
)
def test_the_turn_seen_is_what_the_widest_gap_leaves(degrees: np.ndarray, expected: tuple[float, float]) -> None:
    shuffled = np.random.default_rng(1).permutation(np.radians(degrees))
    np.testing.assert_allclose(np.degrees(trims.turn_seen(shuffled, False)), expected, atol=1e-9)


def test_a_few_facets_all_round_count_as_whole_when_the_scan_saw_it_whole() -> None:
    corners = np.radians([0, 60, 120, 180, 240, 300])
    assert trims.turn_seen(corners, True) == (0.0, 2 * np.pi)
    assert np.degrees(np.diff(trims.turn_seen(corners, False))) == pytest.approx(300)


def test_a_face_with_an_opening_and_an_island() -> None:
    points, faces = grid(20, 10)
    middle = points[faces].mean(axis=1)
    opening = (np.abs(middle - [10, 5]) < 2).all(axis=1)
    kept = faces[~opening]
    island = kept[np.abs(points[kept].mean(axis=1)[:, 0] - 18) < 1]
    ditch = np.abs(points[kept].mean(axis=1)[:, 0] - 16) < 1
    assert len(island)
    found = trims.regions(points, kept[~ditch])
    assert [len(r.openings) for r in found] == [1, 0]
    assert area(found[0]) == pytest.approx(15 * 10 - 16)
    assert area(found[1]) == pytest.approx(3 * 10)
    assert len(found[0].outer) == 4  # the straight border has lost its in-between points


def test_orientation_outer_counter_clockwise() -> None:
    points, faces = grid(4, 4)
    (region,) = trims.regions(points, faces)
    assert area(region) == pytest.approx(16)


def test_a_ragged_border_is_straightened_within_its_slack() -> None:
    rng = np.random.default_rng(3)
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    loop = np.c_[np.cos(turn), np.sin(turn)] * (50 + rng.uniform(-0.1, 0.1, 400))[:, None]
    kept = trims.straightened(loop, 0.3)
    assert len(kept) < 120
    closed = np.concatenate([kept, kept[:1]])
    away = np.min(
        [distance_to_segment(loop, a, b) for a, b in pairwise(closed)],
        axis=0,
    )
    assert away.max() <= 0.3 + 1e-12


def distance_to_segment(points: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    t = np.clip((points - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
    return np.linalg.norm(points - a - t[:, None] * (b - a), axis=1)


def test_a_border_that_crosses_itself_becomes_its_hull() -> None:
    bow = np.array([[0.0, 0], [4, 4], [4, 0], [0, 4]])
    assert trims._crossing([bow]) == [0]
    assert trims._crossing([bow[[0, 2, 1, 3]]]) == []
    square, inner = bow[[0, 2, 1, 3]], 1 + 0.5 * bow[[0, 3, 1, 2]]
    assert trims._crossing([square, inner]) == []
    assert trims._crossing([square, inner + 2]) == [0, 1]
    assert trims._crossing([square, inner + 9, square[::-1] + np.array([4.0, 0.0])]) == [0, 2]  # they share a side


def test_openings_that_touch_in_a_corner_are_parted() -> None:
    points, faces = grid(6, 6)
    middle = points[faces].mean(axis=1)
    first = (np.abs(middle - [2, 2]) < 1).all(axis=1)
    second = (np.abs(middle - [4, 4]) < 1).all(axis=1)
    (region,) = trims.regions(points, faces[~(first | second)])
    assert len(region.openings) == 2
    assert trims._crossing([region.outer, *region.openings]) == []
    assert area(region) == pytest.approx(36 - 8, abs=0.1)


def test_an_opening_that_touches_the_outer_border_stays_an_opening() -> None:
    points, faces = grid(8, 8)
    square = (np.abs(points[faces].mean(axis=1) - [3, 3]) < 2).all(axis=1)
    corner = (points[faces].mean(axis=1) < 1).all(axis=1)
    # The square's lower left corner (1, 1) is the inner corner of the notch at (0, 0).
    (region,) = trims.regions(points, faces[~(square | corner)])
    assert len(region.openings) == 1
    assert trims._crossing([region.outer, *region.openings]) == []
    assert area(region) == pytest.approx(64 - 1 - 16, abs=0.1)


def test_of_rings_in_each_other_each_has_its_own_opening() -> None:
    points, faces = grid(40, 40)
    far = np.abs(points[faces].mean(axis=1) - 20).max(axis=1)
    found = trims.regions(points, faces[(far > 15) | ((far < 12) & (far > 5))])
    assert [len(r.openings) for r in found] == [1, 1]
    assert [area(r) for r in found] == pytest.approx([40**2 - 30**2, 24**2 - 10**2])


def test_nothing_comes_of_nothing() -> None:
    line = np.array([[0.0, 0], [1, 0], [2, 0]])
    assert trims.regions(line, np.array([[0, 1, 2]], np.int32)) == ()


def test_the_axis_of_a_cap_and_of_a_belt() -> None:
    rng = np.random.default_rng(0)
    tilt = np.array([0.6, 0.0, 0.8])
    rays = rng.normal(size=(4000, 3))
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    cap, belt = rays[rays @ tilt > 0.7], rays[np.abs(rays @ tilt) < 0.3]
    assert trims.symmetry_axis(cap) @ tilt > 0.99
    assert abs(trims.symmetry_axis(belt) @ tilt) > 0.99
