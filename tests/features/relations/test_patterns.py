"""Circles and patterns of holes against worked values and exact constructions.

Covers: pipeline.features.relations.hole_layouts, pipeline.features.relations.coaxial_groups
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from pipeline.features.relations.coaxial_groups import coaxial_groups
from pipeline.features.relations.hole_layouts import rectangles, rings
from pipeline.features.relations.patterns import find_patterns
from pipeline.geometry import fit_circle
from pipeline.lengths import in_unit
from tests.features.made import bore, plane, pose, posed


def test_circle_of_gander_golub_strebel() -> None:
    """BIT 34 (1994) 558-578, doi 10.1007/BF01934268; points from memory, values recomputed."""
    points = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], float)
    centre, radius, rms = fit_circle(points)
    np.testing.assert_allclose([*centre, radius], [4.739782, 2.983533, 4.714226], atol=1e-6)
    assert rms * np.sqrt(6) == pytest.approx(1.107971, abs=1e-6)


def test_circles_of_the_scipy_cookbook() -> None:
    """SciPy Cookbook, "Least squares circle", both data sets (the second from memory); recomputed. The algebraic fit
    of the short arc is 5 mm off."""
    x, y = [9, 35, -13, 10, 23, 0], [34, 10, 6, -14, 27, -10]
    centre, radius, rms = fit_circle(np.column_stack([x, y]))
    np.testing.assert_allclose([*centre, radius], [10.50009, 9.65995, 23.33353], atol=1e-5)
    assert 6 * rms**2 == pytest.approx(7.71185, abs=1e-4)
    x, y = [36, 36, 19, 18, 33, 26], [14, 10, 28, 31, 18, 26]
    centre, radius, _ = fit_circle(np.column_stack([x, y]))
    np.testing.assert_allclose([*centre, radius], [9.88757, 3.68750, 27.35044], atol=1e-5)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 30), st.floats(0.4, 6.2), st.floats(0.0, 0.05))
def test_circle_against_scipy(seed, count, arc, noise) -> None:
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, arc, count)
    points = rng.uniform(-500, 500, 2) + rng.uniform(1, 300) * np.column_stack([np.cos(angle), np.sin(angle)])
    points += rng.normal(0, noise, points.shape)
    centre, radius, rms = fit_circle(points)
    start = [*centre, radius]
    best = least_squares(lambda p: np.linalg.norm(points - p[:2], axis=1) - p[2], start, xtol=1e-15, ftol=1e-15)
    assert rms**2 * count <= 2.0 * best.cost * (1 + 1e-6) + 1e-14


def test_a_line_has_no_circle() -> None:
    with pytest.raises(ValueError, match="line"):
        fit_circle(np.array([(0, 0), (1, 1), (2, 2), (5, 5)], float))


def ring_of(count, radius, phase=0.3, missing=(), noise=0.0, seed=0):
    angle = phase + 2 * np.pi * np.arange(count) / count
    points = radius * np.column_stack([np.cos(angle), np.sin(angle)]) + [3.0, -2.0]
    points += np.random.default_rng(seed).normal(0, noise, points.shape)
    return np.delete(points, missing, axis=0)


@pytest.mark.parametrize("count", [3, 4, 5, 6, 7, 8, 10, 12, 16, 24])
def test_rings_of_every_count(count) -> None:
    found = rings(ring_of(count, 70.0, noise=0.01))
    assert len(found) == 1
    assert (found[0].count, len(found[0].empty), found[0].even) == (count, 0, True)
    assert abs(found[0].radius - 70.0) < 0.03
    assert np.linalg.norm(found[0].centre - [3, -2]) < 0.03
    assert found[0].phase % (2 * np.pi / count) == pytest.approx(0.3 % (2 * np.pi / count), abs=1e-3)


@pytest.mark.parametrize(("count", "missing"), [(4, (1,)), (6, (2,)), (8, (0,)), (8, (3, 4)), (12, (1, 5, 6))])
def test_missing_holes_are_found_where_they_should_be(count, missing) -> None:
    whole = ring_of(count, 50.0)
    found = rings(ring_of(count, 50.0, missing=list(missing), noise=0.005))[0]
    assert found.count == count
    assert len(found.empty) == len(missing)
    for k in missing:
        assert np.min(np.linalg.norm(found.empty - whole[k], axis=1)) < 0.05


def test_two_rings_and_strays_are_told_apart() -> None:
    points = np.vstack([ring_of(8, 70.0), ring_of(6, 40.0, 0.1), [[11.0, 4.0], [90.0, 13.0]]])
    found = rings(points)
    assert [(r.count, len(r.members)) for r in found] == [(8, 8), (6, 6)]


def test_random_places_make_no_ring_of_three() -> None:
    rng = np.random.default_rng(4)
    false = sum(bool(rings(rng.uniform(-60, 60, (4, 2)))) for _ in range(300))
    # Four holes at random lie evenly on some circle, to 0.3 mm, by chance only.
    assert false <= 6


def test_rectangle() -> None:
    angle = 0.4
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    corners = np.array([(0, 0), (100, 0), (100, 64), (0, 64)], float)
    points = np.vstack([corners @ turn, [[20.0, 31.0]]]) + np.random.default_rng(0).normal(0, 0.01, (5, 2))
    assert not rings(points[:4])
    (found,) = rectangles(points)
    assert sorted(found.members) == [0, 1, 2, 3]
    np.testing.assert_allclose(found.size, (100, 64), atol=0.03)
    assert found.angle == pytest.approx(angle, abs=3e-4)

    # The best rectangle by an independent solver has no smaller rms.
    def miss(p):
        e, n = np.array([np.cos(p[2]), np.sin(p[2])]), np.array([-np.sin(p[2]), np.cos(p[2])])
        off = points[list(found.members)] - p[:2]
        return (off - np.sign(off @ e)[:, None] * p[3] * e - np.sign(off @ n)[:, None] * p[4] * n).ravel()

    best = least_squares(miss, [*found.centre, found.angle, found.size[0] / 2, found.size[1] / 2])
    assert found.rms <= np.sqrt(2 * best.cost / 4) * 1.02


def flanged(missing=()):
    """A flange at z = 0 looking up with 8 holes on D138, a stepped bore, a foot of four holes square to it."""
    features = [
        plane("flange", (0, 0, 0), (0, 0, 1), 9000),
        bore("seat", (0, 0, -10), (0, 0, 1), 36, 20),
        bore("step", (0, 0, -30), (0, 0, 1), 30, 14),
        plane("shoulder-1", (0, 0, -20), (0, 0, 1), 1000),
        plane("left", (-60, 0, -40), (-1, 0, 0), 4000),
        plane("right", (60, 1, -40), (1, 0, 0), 4100),
    ]
    for k in range(8):
        a = np.pi * (2 * k + 1) / 8
        if k not in missing:
            features.append(bore(f"bolt-{k}", (69 * np.cos(a), 69 * np.sin(a), -8), (0, 0, (-1) ** k), 5.5, 14))
    for k, (x, z) in enumerate([(-40, -60), (40, -60), (40, -110), (-40, -110)]):
        features.append(bore(f"foot-{k}", (x, 90, z), (0, 1, 0), 7, 10))
    return features


@pytest.mark.parametrize("seed", [0, 1])
def test_patterns_of_a_part(seed) -> None:
    matrix = pose(seed)
    found = find_patterns(posed(flanged(), matrix))
    kinds = [p.kind for p in found]
    assert kinds.count("coaxial") == 1
    assert kinds.count("pitch_circle") == 1
    assert kinds.count("rectangle") == 1
    assert kinds.count("mid_plane") == 1
    ring = next(p for p in found if p.kind == "pitch_circle")
    assert (ring.count, ring.missing) == (8, 0)
    assert ring.diameter == pytest.approx(138.0, abs=1e-9)
    np.testing.assert_allclose(ring.centre, matrix[:3, 3], atol=1e-9)
    np.testing.assert_allclose(ring.normal, matrix[:3, 2], atol=1e-12)
    stack = next(p for p in found if p.kind == "coaxial")
    assert set(stack.members) == {"seat", "step"}
    assert "D72.000 mm x 20.00 mm" in in_unit(stack.note, "mm")
    middle = next(p for p in found if p.kind == "mid_plane")
    assert "120.000 mm apart" in in_unit(middle.note, "mm")
    np.testing.assert_allclose((middle.centre - matrix[:3, 3]) @ matrix[:3, 0], 0.0, atol=1e-9)


def test_two_end_faces_alone_make_no_median_plane() -> None:
    ends = [plane("left", (-60, 0, 0), (-1, 0, 0), 4000), plane("right", (60, 0, 0), (1, 0, 0), 4000)]
    off_it = [bore("a", (7, 0, 0), (0, 0, 1), 5, 10), bore("b", (-30, 20, 0), (0, 0, 1), 5, 10)]
    along = bore("c", (10, 0, 0), (1, 0, 0), 9, 100)

    def median_planes(*more) -> int:
        return sum(p.kind == "mid_plane" for p in find_patterns([*ends, *off_it, along, *more]))

    assert median_planes() == 0
    assert median_planes(bore("on it", (0, 5, 0), (0, 1, 0), 6, 10)) == 1
    assert median_planes(bore("mirrored", (30, 20, 4), (0, 0, 1), 5, 10)) == 1
    assert median_planes(bore("another size", (30, 20, 4), (0, 0, 1), 6, 10)) == 0


def test_a_masked_hole_is_reported() -> None:
    found = find_patterns(flanged(missing=(3,)))
    ring = next(p for p in found if p.kind == "pitch_circle")
    assert (ring.count, ring.missing, len(ring.members)) == (8, 1, 7)
    a = np.pi * 7 / 8
    assert f"[{69 * np.cos(a):.2f}, {69 * np.sin(a):.2f}, 0.00]" in ring.note.replace("-0.00]", "0.00]")


def test_coaxial_groups_keep_apart_what_is_not_one() -> None:
    features = [
        bore("a", (0, 0, 0), (0, 0, 1), 20, 20),
        bore("b", (0.05, 0, 60), (0, 0, -1), 18, 20),
        bore("c", (1.0, 0, 30), (0, 0, 1), 15, 20),
        bore("d", (0, 0, 30), (0.05, 0, 1), 10, 10),
    ]
    (group,) = coaxial_groups(features)
    assert set(group.members) == {"a", "b"}
    assert group.rms == pytest.approx(0.025, rel=0.02)
