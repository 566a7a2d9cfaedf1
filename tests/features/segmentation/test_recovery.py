"""What stands of the regions found: as which kind, and what is told of those that don't."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.segmentation import recovery, search
from pipeline.features.segmentation.refusals import Refusal
from pipeline.surfaces import KINDS, PACKED, Shape
from pipeline.surfaces.shape import pack
from pipeline.values.surface import Surface
from tests.features.faces import grid

SIGMA = 0.012


def meshed(height, count=121, edge=0.5):
    """A square mesh over z = height(x, y) with white noise, as segmentation sees it."""
    vertices, faces, _ = grid(count, edge, height)
    vertices[:, 2] += np.random.default_rng(3).normal(0.0, SIGMA, len(vertices))
    ground = search.prepare(Surface.measured(vertices, faces), SIGMA)
    ground.wave = 0.25 * SIGMA
    return ground


def region_on(ground, members, radius=None, crown=0.0):
    """Members as a plane's region, or as that of a cylinder along y of that radius, up to that height."""
    middle = ground.vertices[members].mean(axis=0)
    if radius is None:
        code, packed = KINDS["plane"].code, pack(Shape("plane", middle, np.array([0.0, 0.0, 1.0])))
    else:
        axis = np.array([middle[0], middle[1], crown - radius])
        code, packed = KINDS["cylinder"].code, pack(Shape("cylinder", axis, np.array([0.0, 1.0, 0.0]), radius))
    assert packed.shape == (PACKED,)
    return search.region_of(ground, code, packed, 1.0, members, members, 0.0)


@pytest.mark.parametrize(("sagitta", "kind"), [(0.0, "plane"), (0.002, "plane"), (0.6, None)])
def test_a_bow_that_is_not_told_from_noise_makes_no_cylinder(sagitta, kind):
    """Over 60 mm a radius of 60 ** 2 / 8 / 0.6 = 750 mm bows by 0.6 mm, more than a machined face is out of flat."""
    ground = meshed(lambda x, y: sagitta * (1.0 - ((x - 30.0) / 30.0) ** 2))
    members = np.arange(len(ground.vertices), dtype=np.int32)
    ground.label[members] = 0
    region = region_on(ground, members, 60.0**2 / 8.0 / max(sagitta, 0.004), sagitta)
    rejected: list[Refusal] = []
    standing = recovery._stand_alone(ground, [region], 0, tuple(KINDS), rejected)
    if kind is None:
        assert standing == {}
        assert (ground.label == -1).all()
        (refusal,) = rejected
        assert "form: bowed by" in refusal.reason
        assert not refusal.fits
        return
    assert rejected == []
    assert standing[0].shape.kind == kind
    assert abs(standing[0].shape.direction[2]) > np.cos(np.radians(0.02))
    assert standing[0].extent.area == pytest.approx(60.0**2, rel=0.03)
    # Where planes are not looked for, it is what it was found as.
    ground.label[members] = 0
    assert recovery._stand_alone(ground, [region], 0, ("cylinder",), rejected) == {}
    assert "form: bowed by" in rejected[0].reason


def test_of_two_refusals_of_one_flat_the_larger_is_told():
    ground = meshed(lambda x, y: 0.0 * x, 21)
    x = ground.vertices[:, 0]
    strip, half, whole = (np.flatnonzero(x < least).astype(np.int32) for least in (3.0, 5.1, 9.0))
    fitting = [Refusal(region_on(ground, members), "narrow") for members in (strip, whole)]
    assert recovery._told_once(ground, fitting) == fitting[1:]
    # What doesn't fit says nothing of the flat, and a piece that has less than half of another is told beside it.
    rough = Refusal(region_on(ground, whole), "form", fits=False)
    assert recovery._told_once(ground, [fitting[0], rough]) == [rough, fitting[0]]
    beside = Refusal(region_on(ground, np.flatnonzero(x > 4.0).astype(np.int32)), "narrow")
    assert recovery._told_once(ground, [Refusal(region_on(ground, half), "narrow"), beside])[0] is beside


def test_a_face_grows_on_over_what_was_refused_beside_it():
    ground = meshed(lambda x, y: 0.0 * x, 41)
    left = np.flatnonzero(ground.vertices[:, 0] < 10.0).astype(np.int32)
    piece = recovery.settled(ground, region_on(ground, left))
    refusals = [Refusal(piece.region, "its rim runs smoothly")]
    whole = recovery._grown_on(ground, piece, 0, refusals, {0: piece})
    assert whole is not None
    assert refusals == []
    assert whole.extent.area == pytest.approx(20.0**2, rel=0.1)
    # Where nothing is free it stays refused.
    ground.label[:] = 1
    ground.label[left] = -1
    refusals = [Refusal(piece.region, "its rim runs smoothly")]
    assert recovery._grown_on(ground, piece, 0, refusals, {0: piece}) is None
    assert len(refusals) == 1
    assert (ground.label[left] == -1).all()


def test_what_may_stand_late_does_so_once_where_nothing_else_is():
    """Of two refusals of one place the first stands with its doubt told; what can't stand stays refused."""
    ground = meshed(lambda x, y: 0.0 * x, count=41)
    region = region_on(ground, np.arange(len(ground.vertices), dtype=np.int32))
    fillet = "its rim bends away as a fillet does"
    never, once = Refusal(region, "its rim runs on"), Refusal(region, "its rim runs on", doubt=fillet)
    (late,), others = recovery._stand_late(ground, [never, once, once])
    assert late.doubts == (fillet,)
    assert others == [never, once]
    ground.label[:5] = 0
    assert recovery._stand_late(ground, [once]) == ([], [once])
