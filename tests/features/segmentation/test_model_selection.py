"""The kind of made points is found, with its sizes, through noise and outliers.

Points and normals follow the parametrisations of the elementary surfaces in ISO 10303-42 (plane, cylindrical, conical,
spherical and toroidal surface).
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.segmentation import model_selection
from pipeline.features.segmentation.model_selection import Effort, Sample
from pipeline.features.segmentation.vertex_walks import Gauge, ring_maximum
from pipeline.surfaces import COUNT, KINDS, PACKED, Shape, closed_form
from pipeline.surfaces.shape import pack

NAMES = tuple(KINDS)
WHITE = 0.012
GAUGE = Gauge(WHITE, 0.004, float(np.hypot(WHITE, 0.004)), float(np.cos(np.radians(12.0))))
ALL = np.ones(COUNT, dtype=np.bool_)


@pytest.fixture(autouse=True, scope="module")
def threads():
    """A run begins with parallel kernels, which start numba's threads; kernels taken from the cache count on them."""
    ring_maximum(np.zeros(1, dtype=np.float32), np.zeros(2, dtype=np.int32), np.zeros(0, dtype=np.int32))


def patch(kind, rng, count=800):
    """Points (n, 3) and normals of a part of a surface in any place: a third of a turn, some 30 mm."""
    u, v = rng.uniform(-1.1, 1.1, count), rng.uniform(-12.0, 12.0, count)
    zero, one = np.zeros(count), np.ones(count)
    round_u = np.column_stack([np.cos(u), np.sin(u), zero])
    z = np.array([0.0, 0.0, 1.0])
    if kind == "plane":
        points, normals = np.column_stack([15.0 * u, v, zero]), np.column_stack([zero, zero, one])
    elif kind == "cylinder":
        points, normals = 15.0 * round_u + v[:, None] * z, round_u
    elif kind == "cone":
        half = np.radians(20.0)
        points = (15.0 + v * np.tan(half))[:, None] * round_u + v[:, None] * z
        normals = np.cos(half) * round_u - np.sin(half) * z
    elif kind == "sphere":
        w = v / 15.0
        normals = np.cos(w)[:, None] * round_u + np.sin(w)[:, None] * z
        points = 15.0 * normals
    else:
        w = v / 8.0
        normals = np.cos(w)[:, None] * round_u + np.sin(w)[:, None] * z
        points = 25.0 * round_u + 6.0 * normals
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    return points @ turn.T + rng.uniform(-50, 50, 3), normals @ turn.T


RADII = {"plane": 0.0, "cylinder": 15.0, "cone": None, "sphere": 15.0, "torus": 6.0}


@pytest.mark.parametrize("kind", RADII)
def test_the_kind_of_noisy_points(kind):
    for seed in range(3):
        rng = np.random.default_rng(seed)
        points, normals = patch(kind, rng)
        points = points + rng.normal(0, WHITE, (len(points), 1)) * normals
        held = np.zeros(PACKED)
        code, misfit, freedom = model_selection.choose(
            Sample(points, normals, 4.0), -1, held, ALL, Effort(900, 3, 0.5), GAUGE
        )
        assert code == KINDS[kind].code
        # Of white noise the misfit is about chi-squared: mean `freedom`, variance twice that.
        assert misfit < freedom + 5.0 * np.sqrt(2.0 * freedom)
        shape = KINDS[kind].unpack(held)
        if kind == "cone":
            assert np.degrees(shape.half_angle) == pytest.approx(20.0, abs=0.2)
        elif kind != "plane":
            assert shape.radius == pytest.approx(RADII[kind], abs=0.05)


@pytest.mark.parametrize("kind", [kind for kind in RADII if kind != "torus"])
def test_the_kind_of_a_patch(kind):
    rng = np.random.default_rng(11)
    points, normals = patch(kind, rng, 60)
    noise = rng.normal(0, WHITE, (60, 1)) * normals
    small = np.zeros(PACKED)
    code, rms = model_selection.fitting_kind(points + noise, normals, 30.0, ALL, WHITE, 1.3, small)
    assert code == KINDS[kind].code
    # Standard error of an rms of 60: one part in sqrt(120).
    assert abs(rms / WHITE - 1.0) < 4.0 / np.sqrt(120.0)
    rough = rng.normal(0, 40 * WHITE, (60, 1)) * normals
    assert model_selection.fitting_kind(points + rough, normals, 30.0, ALL, WHITE, 1.3, small)[0] == -1
    none = np.zeros(COUNT, dtype=np.bool_)
    assert model_selection.fitting_kind(points, normals, 30.0, none, WHITE, 1.3, small)[0] == -1


def test_no_patch_is_called_a_torus():
    """It bends to anything small, so that only regions may turn into it."""
    points, normals = patch("torus", np.random.default_rng(11), 60)
    small = np.zeros(PACKED)
    assert model_selection.fitting_kind(points, normals, 30.0, ALL, WHITE, 1.3, small)[0] == -1


def test_only_what_is_allowed_is_chosen():
    rng = np.random.default_rng(2)
    points, normals = patch("plane", rng)
    allowed = np.array([name == "cylinder" for name in NAMES])
    held = np.zeros(PACKED)
    code, _, _ = model_selection.choose(Sample(points, normals, 4.0), -1, held, allowed, Effort(900, 1, 0.5), GAUGE)
    assert code in (-1, KINDS["cylinder"].code)


def test_a_robust_fit_passes_outliers_by():
    rng = np.random.default_rng(4)
    points, normals = patch("cylinder", rng)
    true = KINDS["cylinder"].unpack(pack(closed_form("cylinder", points, normals)))
    off = rng.normal(0, WHITE, len(points))
    off[rng.random(len(points)) < 0.1] += 0.5
    noisy = points + off[:, None] * normals
    s = pack(true)
    model_selection.settle(KINDS["cylinder"].code, s, noisy, WHITE, 3)
    assert s[12] == pytest.approx(15.0, abs=0.005)
    # Each outlier counts as if it were as far off as the clip says.
    clipped = model_selection.clipped_rms(KINDS["cylinder"].code, pack(true), noisy, 0.05)
    assert clipped == pytest.approx(np.sqrt((np.minimum(np.abs(off), 0.05) ** 2).sum() / (len(off) - 5)), rel=1e-4)


def test_blocks_are_cubes():
    points = np.random.default_rng(8).uniform(-20, 30, (500, 3))
    blocks, count = model_selection.blocks_of(points, 7.0)
    cells, wanted = np.unique(np.floor((points - points.min(axis=0)) / 7.0), axis=0, return_inverse=True)
    assert count == len(cells)
    assert blocks.tolist() == wanted.ravel().tolist()


def test_misfit_by_hand():
    # Two blocks of heights 0.02, 0.04 and 0.01 over a plane; variances white^2 / n + wave^2.
    shape = Shape("plane", np.zeros(3), np.array([0.0, 0.0, 1.0]))
    points = np.array([[0.0, 0.0, 0.02], [1.0, 0.0, 0.04], [9.0, 0.0, 0.01]])
    total = model_selection.misfit(
        KINDS["plane"].code, pack(shape), points, np.array([0, 0, 1], dtype=np.int32), 2, Gauge(0.01, 0.02, 0.03, 0.98)
    )
    assert total == pytest.approx(0.03**2 / (0.01**2 / 2 + 0.02**2) + 0.01**2 / (0.01**2 + 0.02**2), rel=1e-12)


@pytest.mark.parametrize(
    ("scores", "squares", "wanted"),
    [
        ((90.0, 88.0), (1.0, 1.0), 0),  # what two parameters more save is less than their price
        ((900.0, 90.0), (9.0, 1.0), 1),
        ((900.0, 90.0), (1.1, 1.0), 0),  # hidden in the noise
        ((np.inf, 90.0), (np.inf, 1.0), 1),
        ((np.inf, np.inf), (np.inf, np.inf), -1),
    ],
)
def test_the_simplest_kind_that_is_as_good(scores, squares, wanted):
    table, mean = np.full(COUNT, np.inf), np.full(COUNT, np.inf)
    table[:2], mean[:2] = scores, squares
    assert model_selection.simplest(table, mean, 100, 0.5) == wanted
