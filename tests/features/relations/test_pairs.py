from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.relations.pairs import relations
from tests.features.made import block, bore, feature, plane, pose, posed, uncertainty


def stated(features):
    out = {}
    for relation in relations(features):
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
    here, there = relations(block()), relations(posed(block(), pose(3)))
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
    assert relations(features) == ()


def test_the_list_grows_like_the_features_not_their_square():
    holes = [bore(f"hole {k}", (40 * np.cos(k), 40 * np.sin(k), 0), (0, 0, 1), 5, 20) for k in range(30)]
    features = [plane("face", (0, 0, 0), (0, 0, 1), 9000), *holes]
    assert len(relations(features)) < 4 * len(features)


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
    exact = {(r.kind, r.between): r for r in relations(features)}
    wanted = [("distance", ("floor", "shelf")), ("angle", ("floor", "ramp")), ("distance", ("seat", "far"))]
    values = {key: [] for key in wanted}
    for _ in range(800):
        for r in relations([drawn(f, rng) for f in features]):
            if (r.kind, r.between) in values:
                values[r.kind, r.between].append(r.value)
    for key in wanted:
        assert len(values[key]) > 750
        assert np.std(values[key]) == pytest.approx(exact[key].uncertainty, rel=0.1)
        assert np.mean(values[key]) == pytest.approx(exact[key].value, abs=0.2 * exact[key].uncertainty)


def test_parallel_is_supported_99_times_in_100():
    rng = np.random.default_rng(6)
    pair = [
        plane("a", (0, 0, 0), (0, 0, 1), 9000, uncertainty=uncertainty("plane", np.array([0, 0, 1.0]), 2, 7)),
        plane("b", (0, 0, 20), (0, 0, 1), 4000, uncertainty=uncertainty("plane", np.array([0, 0, 1.0]), 2, 8)),
    ]
    times = sum(any(r.kind == "parallel" for r in relations([drawn(f, rng) for f in pair])) for _ in range(2000))
    assert 1964 <= times <= 1993  # 99 %, give or take three standard deviations of a count


def test_axes_that_cross_at_a_small_angle_are_not_coaxial():
    tilt = np.radians(0.3)
    features = [
        bore("seat", (0, 0, 0), (0, 0, 1), 30, 40),
        bore("leaning", (0, 0, 0), (np.sin(tilt), 0, np.cos(tilt)), 20, 30),
    ]
    kinds = {r.kind: r for r in relations(features)}
    assert "coaxial" not in kinds
    assert "distance" not in kinds
    assert kinds["angle"].value == pytest.approx(tilt)
