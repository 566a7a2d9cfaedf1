"""What is said of pairs.

Covers: pipeline.features.relations.exactness, pipeline.features.relations.lines
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest

from pipeline.features.relations.pairs import Idea, ideas, relations
from pipeline.features.uncertainty.significance import holm
from tests.features.made import block, bore, feature, plane, pose, posed, uncertainty


def related(features):
    """The relations of a part that has no datums: its ideas are all the tests that there are."""
    chances = ideas(features)
    return relations(features, dict(zip(chances, holm(list(chances.values())), strict=True)))


def stated(features):
    out = {}
    for relation in related(features):
        out.setdefault(tuple(sorted(relation.between)), {})[relation.kind] = relation
    return out


def test_of_a_bored_block():
    # Distances and angles are those of the block's drawing (tests.features.made.block).
    found = stated(block())
    assert found["bottom", "top"]["parallel"].value == pytest.approx(0.0, abs=1e-9)
    assert found["bottom", "top"]["distance"].value == pytest.approx(45.0)
    assert found["front", "top"]["perpendicular"].value == pytest.approx(0.0, abs=1e-9)
    assert found["main", "top"]["perpendicular"].value == pytest.approx(0.0, abs=1e-9)
    assert found["coax", "main"]["coaxial"].value == pytest.approx(0.0, abs=1e-9)
    assert found["far", "main"]["distance"].value == pytest.approx(45.0)
    assert found["main", "side"]["distance"].value == pytest.approx(30.0)
    assert found["slope", "top"]["angle"].value == pytest.approx(np.pi / 4)
    assert found["cross", "main"]["intersecting"].value == pytest.approx(0.0, abs=1e-9)
    assert found["cross", "top"]["distance"].value == pytest.approx(30.0)


def test_a_pose_changes_nothing():
    here, there = related(block()), related(posed(block(), pose(3)))
    assert [(r.kind, r.between) for r in here] == [(r.kind, r.between) for r in there]
    for a, b in zip(here, there, strict=True):
        assert a.value == pytest.approx(b.value, abs=1e-7)
        assert a.uncertainty == pytest.approx(b.uncertainty, rel=1e-5)


def test_a_real_deviation_is_an_angle_and_an_offset():
    tilt = np.radians(0.15)
    features = [
        plane("floor", (0, 0, 0), (0, 0, 1), 9000),
        plane("shelf", (0, 0, 20), (np.sin(tilt), 0, np.cos(tilt)), 4000),
        bore("seat", (50, 0, 0), (0, 0, 1), 30, 40),
        bore("other seat", (50.08, 0, 60), (0, 0, 1), 20, 30),
    ]
    found = stated(features)
    assert found["floor", "shelf"]["angle"].value == pytest.approx(tilt)
    assert "parallel" not in found["floor", "shelf"]
    assert found["other seat", "seat"]["distance"].value == pytest.approx(0.08)
    assert "coaxial" not in found["other seat", "seat"]


def test_what_is_too_uncertain_is_not_said():
    loose = uncertainty("cylinder", np.array([0, 0, 1.0]), scale=200.0)
    features = [
        plane("floor", (0, 0, 0), (0, 0, 1), 9000),
        bore("loose", (0, 0, 0), (0, 0, 1), 5, 5, uncertainty=loose),
        plane("unknown", (0, 0, 9), (0, 0, 1), uncertainty=replace(loose, covariance=None)),
        plane("skin", (0, 0, 30), (0, 0, 1), machined=False),
        plane("held", (0, 0, 40), (0, 0, 1), constraint="parallel to floor"),
        plane("doubtful", (0, 0, 40), (0, 0, 1), confidence="low"),
        feature("ball", "sphere", (0, 0, 5), None, 7, "bore", 300),
    ]
    assert related(features) == ()


def test_the_list_grows_like_the_features_not_their_square():
    holes = [bore(f"hole {k}", (40 * np.cos(k), 40 * np.sin(k), 0), (0, 0, 1), 5, 20) for k in range(30)]
    features = [plane("face", (0, 0, 0), (0, 0, 1), 9000), *holes]
    assert len(related(features)) < 4 * len(features)


def drawn(f, rng):
    """The feature with errors drawn from its own covariance."""
    known = f.uncertainty
    step = rng.multivariate_normal(np.zeros(len(known.names)), known.covariance)
    by = dict(zip(known.names, step, strict=True))
    u, v = known.basis
    point = f.point + by.get("u", 0) * u + by.get("v", 0) * v + by.get("w", 0) * f.direction
    direction = f.direction + by.get("a", 0) * u + by.get("b", 0) * v
    return replace(f, point=point, direction=direction / np.linalg.norm(direction))


def test_uncertainties_are_those_of_many_draws():
    """Monte Carlo over the features' covariances (JCGM 101:2008)."""
    rng = np.random.default_rng(5)
    tilted = np.array([0.3, 0.2, 1.0]) / np.linalg.norm([0.3, 0.2, 1.0])
    features = [
        plane("floor", (0, 0, 0), (0, 0, 1), 9000, uncertainty=uncertainty("plane", np.array([0, 0, 1.0]), 3, 1)),
        plane("shelf", (60, 5, 20), (0, 0, 1), 4000, uncertainty=uncertainty("plane", np.array([0, 0, 1.0]), 3, 2)),
        plane("ramp", (30, 0, 9), tilted, 3000, uncertainty=uncertainty("plane", tilted, 3, 3)),
        bore("seat", (50, 0, 0), (0, 0, 1), 30, 40, uncertainty=uncertainty("cylinder", np.array([0, 0, 1.0]), 3, 4)),
        bore("far", (80, 40, 30), (0, 0, 1), 20, 30, uncertainty=uncertainty("cylinder", np.array([0, 0, 1.0]), 3, 5)),
    ]
    exact = {(r.kind, r.between): r for r in related(features)}
    wanted = [("distance", ("floor", "shelf")), ("angle", ("floor", "ramp")), ("distance", ("seat", "far"))]
    values = {key: [] for key in wanted}
    for _ in range(800):
        for r in related([drawn(f, rng) for f in features]):
            if (r.kind, r.between) in values:
                values[r.kind, r.between].append(r.value)
    for key in wanted:
        assert len(values[key]) > 750
        assert np.std(values[key]) == pytest.approx(exact[key].uncertainty, rel=0.1)
        assert np.mean(values[key]) == pytest.approx(exact[key].value, abs=0.2 * exact[key].uncertainty)


def test_parallel_is_supported_95_times_in_100():
    rng = np.random.default_rng(6)
    pair = [
        plane("a", (0, 0, 0), (0, 0, 1), 9000, uncertainty=uncertainty("plane", np.array([0, 0, 1.0]), 2, 7)),
        plane("b", (0, 0, 20), (0, 0, 1), 4000, uncertainty=uncertainty("plane", np.array([0, 0, 1.0]), 2, 8)),
    ]
    times = sum(any(r.kind == "parallel" for r in related([drawn(f, rng) for f in pair])) for _ in range(2000))
    assert 1871 <= times <= 1929  # 95 %, give or take three standard deviations of a count


def test_axes_that_cross_at_a_small_angle_are_not_coaxial():
    tilt = np.radians(0.3)
    features = [
        bore("seat", (0, 0, 0), (0, 0, 1), 30, 40),
        bore("leaning", (0, 0, 0), (np.sin(tilt), 0, np.cos(tilt)), 20, 30),
    ]
    kinds = {r.kind: r for r in related(features)}
    assert "coaxial" not in kinds
    assert "distance" not in kinds
    assert kinds["angle"].value == pytest.approx(tilt)


def test_a_distance_says_where_along_it_it_holds():
    # A bore 100 mm long that runs 0.86 deg off a face: 55.725 at its middle, and 100 sin(0.86 deg) more or less from
    # end to end.
    tilt = np.radians(0.86)
    way = np.array([0.0, np.cos(tilt), np.sin(tilt)])
    features = [
        plane("face", (0, 0, 0), (0, 0, 1), 20000),
        bore("leaning", (10, 0, 55.725), way, 12, 100, uncertainty=uncertainty("cylinder", way)),
    ]
    found = stated(features)["face", "leaning"]
    assert found["angle"].value == pytest.approx(tilt)
    assert found["distance"].value == pytest.approx(55.725)
    half = 50.0 * np.sin(tilt)
    assert found["distance"].over == pytest.approx((55.725 - half, 55.725 + half))
    true = bore("leaning", (10, 0, 55.725), (0, 1, 0), 12, 100)
    assert stated([features[0], true])["face", "leaning"]["distance"].over is None


def test_a_distance_between_planes_that_are_not_parallel_covers_all_that_was_seen():
    tilt = np.radians(0.4)
    normal = np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    shelf = plane("shelf", (5, 0, 20), normal, 4000, uncertainty=uncertainty("plane", normal))
    features = [plane("floor", (0, 0, 0), (0, 0, 1), 9000), shelf]
    # Not known how far the shelf reaches: no distance that would hold at one place only.
    assert "distance" not in stated(features)["floor", "shelf"]
    along = np.array([np.cos(tilt), 0.0, -np.sin(tilt)])
    corners = np.array([x * along + [0.0, y, 0.0] for x, y in ((-40, -10), (40, -10), (40, 10), (-40, 10))])
    features[1] = replace(shelf, extent=replace(shelf.extent, corners=corners))
    found = stated(features)["floor", "shelf"]["distance"]
    assert found.value == pytest.approx(20.0)
    assert found.over == pytest.approx((20.0 - 40.0 * np.sin(tilt), 20.0 + 40.0 * np.sin(tilt)))


def test_a_distance_of_axes_that_pass_each_other_is_least_between_their_ends():
    tilt = np.radians(0.9)
    features = [
        bore("seat", (0, 0, 0), (0, 0, 1), 30, 140),
        bore("far", (3, 4, 0), (np.sin(tilt), 0, np.cos(tilt)), 5, 600),
    ]
    found = stated(features)["far", "seat"]["distance"]
    # At x = 3 + s sin(tilt), y = 4: nearest where x is none, farthest at the end where x is largest.
    assert found.value == pytest.approx(5.0)
    assert found.over == pytest.approx((4.0, float(np.hypot(3.0 + 300.0 * np.sin(tilt), 4.0))))


def test_what_a_drawing_puts_at_five_degrees_is_no_failed_square():
    features = [plane("base", (0, 0, 0), (0, 0, 1), 9000)]
    for degrees, name in ((90.0, "wall"), (85.0, "draft"), (89.5, "leaning")):
        turn = np.radians(degrees)
        way = np.array([np.sin(turn), 0.0, np.cos(turn)])
        features.append(plane(name, (40, 0, 10), way, 2500 + degrees, uncertainty=uncertainty("plane", way)))
    tried = ideas(features)
    assert Idea("direction", frozenset(("base", "wall"))) in tried
    assert Idea("direction", frozenset(("base", "leaning"))) in tried or len(tried) == 2
    assert Idea("direction", frozenset(("base", "draft"))) not in tried
    found = stated(features)["base", "draft"]
    assert set(found) == {"angle"}
    assert found["angle"].value == pytest.approx(np.radians(85.0))
    assert found["angle"].p_adjusted is None


def test_chances_of_exact_pairs_are_uniform():
    """Features drawn from their own covariances about exact ones: Kolmogorov's test of each idea's chances."""
    rng = np.random.default_rng(11)
    up, side = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
    features = [
        plane("base", (0, 0, 0), up, 9000, uncertainty=uncertainty("plane", up, 2, 1)),
        bore("seat", (50, 0, 0), up, 30, 40, uncertainty=uncertainty("cylinder", up, 2, 2)),
        bore("far seat", (50, 0, 160), -up, 20, 30, uncertainty=uncertainty("cylinder", -up, 2, 3)),
        plane("wall", (0, 80, 0), side, 3000, uncertainty=uncertainty("plane", side, 2, 4)),
        bore("cross", (50, 60, 20), side, 8, 20, uncertainty=uncertainty("cylinder", side, 2, 5)),
    ]
    drawings = [ideas([drawn(f, rng) for f in features]) for _ in range(600)]
    assert {idea.what for idea in drawings[0]} == {"direction", "line", "meeting"}
    for idea in drawings[0]:
        assert kstest([chances[idea] for chances in drawings], "uniform").pvalue > 1e-3, idea


def test_a_step_aside_of_its_neighbour_is_told_though_the_lever_to_the_reference_hides_it():
    up = np.array([0.0, 0.0, 1.0])
    # The seat's axis is known to 0.3 mrad, 0.06 mm at the far end; that of the far seat, a step away, ten times better.
    features = [
        bore("seat", (0, 0, 0), up, 30, 40, uncertainty=uncertainty("cylinder", up, 5.0)),
        bore("far seat", (0, 0, 200), up, 30, 20, uncertainty=uncertainty("cylinder", up)),
        bore("step", (0.1, 0, 215), up, 20, 8, uncertainty=uncertainty("cylinder", up)),
    ]
    found = stated(features)
    assert "coaxial" in found["far seat", "seat"]
    assert found["far seat", "step"]["distance"].value == pytest.approx(0.1)
    assert found["far seat", "step"]["distance"].p_adjusted < 0.05
