"""What was refused, where it is, and how the user has it stand all the same."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.features.segmentation import search
from pipeline.features.segmentation.refusals import Refusal, refused
from pipeline.job import RecoverSettings
from pipeline.surfaces import KINDS
from pipeline.surfaces.shape import Shape, pack
from pipeline.values.surface import Surface
from tests.features.faces import grid
from tests.scans import demo_scan
from tests.stages.test_recover import recovered


@pytest.fixture(scope="module")
def scan():
    made = demo_scan(200_000, 1)
    return made.vertices, made.faces


@pytest.fixture(scope="module")
def result(scan):
    return recovered(*scan)


def near(patch):
    return {"near": f"scan: {[round(float(x), 1) for x in patch.place]}", "kind": patch.kind}


def test_what_was_refused_is_numbered_with_its_place_and_facets(scan, result):
    vertices, faces = scan
    listed = [r for r in result.rejected if r.number is not None]
    assert [r.area for r in result.rejected] == sorted((r.area for r in result.rejected), reverse=True)
    assert listed
    assert sorted(r.number for r in listed) == list(range(1, len(listed) + 1))
    # Up to its edge, where half a facet all round counts for much, a patch is larger than what was seen of it.
    assert all(r.number is not None for r in result.rejected if r.area >= 60.0)
    assert all(r.number is None and r.place is None for r in result.rejected if r.area < 18.0)
    taken = np.concatenate([r.facets for r in listed])
    assert len(np.unique(taken)) == len(taken)
    assert (result.labels[taken] == -1).all()
    for patch in listed:
        corners = vertices[np.unique(faces[patch.facets])]
        assert np.linalg.norm(corners - patch.place, axis=1).min() < 5.0  # three edges: nets have few whole facets
    ranks = [(not r.fits, -r.area) for r in sorted(listed, key=lambda r: r.number)]
    assert ranks == sorted(ranks)


def test_nothing_is_listed_below_the_area_asked_for(scan):
    nothing = recovered(*scan, RecoverSettings(list_refused=1e6))
    assert all(r.number is None for r in nothing.rejected)


def test_an_accepted_surface_is_a_feature_of_low_confidence(scan, result):
    patch = next(r for r in result.rejected if r.number is not None)
    more = recovered(*scan, RecoverSettings(accept=(near(patch),)))
    (new,) = (f for f in more.features if any("accepted by the user" in reason for reason in f.reasons))
    assert (new.kind, new.confidence) == (patch.kind, "low")
    assert patch.reason in new.reasons[0]
    assert new.extent.area == pytest.approx(patch.area)
    assert len(more.features) == len(result.features) + 1
    assert len(more.rejected) == len(result.rejected) - 1
    # Others are as they were.
    assert {f.id for f in result.features} <= {f.id for f in more.features}


def test_accepting_what_stands_already_changes_nothing(scan, result):
    patch = next(r for r in result.rejected if r.number is not None)
    once, twice = (recovered(*scan, RecoverSettings(accept=(near(patch),) * times)) for times in (1, 2))
    assert [f.id for f in once.features] == [f.id for f in twice.features]


@pytest.mark.parametrize("more", [{"near": "scan: [500, 0, 0]"}, {"kind": "torus"}, {"radius": 3.0}])
def test_accepting_what_is_not_there_is_refused(scan, result, more):
    patch = next(r for r in result.rejected if r.number is not None and r.kind == "cylinder")
    with pytest.raises(SettingsError, match=r"recover\.accept 1: no .* copy the place from the last report"):
        recovered(*scan, RecoverSettings(accept=(near(patch) | more,)))


def test_a_patch_is_as_large_as_it_is_up_to_its_edge():
    """20 x 20 vertices of a flat face are 400 mm2; without those at the edge they are 18 x 18."""
    vertices, faces, _ = grid(
        22, 1.0, lambda x, y: -5.0 * np.maximum(np.maximum(np.abs(x - 10.5), np.abs(y - 10.5)) - 9.5, 0)
    )
    ground = search.prepare(Surface.measured(vertices, faces), 0.01)
    flat = np.abs(vertices[:, :2] - 10.5).max(axis=1)
    members = np.flatnonzero(flat < 9.0).astype(np.int32)
    packed = pack(Shape("plane", np.array([10.5, 10.5, 0.0]), np.array([0.0, 0.0, 1.0])))
    region = search.region_of(ground, 0, packed, 1.0, members, members, 0.0)
    assert region.area == pytest.approx(18.0**2)
    beside = float(ground.share[(flat > 9.0) & (flat < 10.0)].sum())
    told = [
        refused(ground, [Refusal(region, "a test")], listed, np.full(len(faces), -1))[0]
        for listed in (324.0, 400.0, 900.0)
    ]
    assert beside > 400.0 - region.area
    assert [r.number for r in told] == [1, 1, None]


def test_a_cone_whose_point_lies_beyond_its_apex_is_told_where_it_was_seen():
    """A cone of 45 degrees half angle is as wide as it is high, and a growth may have begun on its other nappe."""
    vertices, faces, _ = grid(30, 0.5, lambda x, y: np.hypot(x + 20.0, y - 7.0))
    ground = search.prepare(Surface.measured(vertices, faces), 0.01)
    members = np.arange(len(vertices), dtype=np.int32)
    cone = Shape("cone", np.array([-20.0, 7.0, -3.0]), np.array([0.0, 0.0, 1.0]), -3.0, np.pi / 4)
    region = search.region_of(ground, KINDS["cone"].code, pack(cone), 1.0, members, members, 0.0)
    for listed in (0.0, np.inf):
        (told,) = refused(ground, [Refusal(region, "a test")], listed, np.full(len(faces), -1))
        assert told.radius == pytest.approx(vertices[:, 2].mean())
        np.testing.assert_allclose(told.point, [-20.0, 7.0, told.radius], atol=1e-9)
