"""A job of several set-ups: one part with the features of all scans, and one sentence where there is none.

Covers: pipeline.stages.join, pipeline.features.joining.together, pipeline.features.uncertainty.several_scans
Covers: pipeline.values.results

Truth is the exact solid of the maker (`tests.rescanned`, drilled once more) and the motion of its set-ups.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

import pipeline
from pipeline.errors import GeometryError, SettingsError
from pipeline.geometry import small_motion, transformed, turned
from pipeline.job import RecoverSettings
from pipeline.mesh.query import Scene, spread_points
from pipeline.mesh.topology import facet_normals
from pipeline.progress import silent
from pipeline.runner import Result
from pipeline.stages.join import Scanned, join, mirrored, scan_of, steps
from pipeline.values import SEAM, Feature, JoinResult, Surface
from tests.set_ups import SetUp, joined_block


@pytest.fixture(scope="module")
def made() -> tuple[SetUp, SetUp]:
    return joined_block().made


@pytest.fixture(scope="module")
def result() -> Result:
    return joined_block().result


def joined(stays: Scanned, laid: Scanned) -> JoinResult:
    return join(stays.clean, stays.recover, stays.source, (laid,), RecoverSettings(), (), {}, silent)


def with_one(scan: Scanned, *place: float) -> Scanned:
    """The scan with that one of its planes alone that is nearest to a place on the block."""
    number = 0 if scan.source.file == "side-0.stl" else 1
    there = transformed(joined_block().made[number].to_scan, np.array(place))
    planes = [k for k, f in enumerate(scan.recover.features) if f.kind == "plane"]
    k = min(planes, key=lambda k: float(np.linalg.norm(scan.recover.features[k].point - there)))
    kept = np.where(scan.recover.labels == k, 0, -1).astype(np.int32)
    return replace(scan, recover=replace(scan.recover, features=(scan.recover.features[k],), labels=kept))


def of_another_part(scan: Scanned) -> Scanned:
    """The scan stretched by half along one way, its bores left out: a block of other sides."""
    stretch = np.diag([1.0, 1.5, 0.8, 1.0]) @ np.linalg.inv(joined_block().made[1].to_scan)
    surface = Surface.measured(transformed(stretch, scan.clean.surface.vertices), scan.clean.surface.faces)
    features, kept = [], np.full_like(scan.recover.labels, -1)
    for k, f in enumerate(scan.recover.features):
        if f.kind == "plane":
            kept[scan.recover.labels == k] = len(features)
            features.append(
                replace(f, point=transformed(stretch, f.point), direction=np.round(turned(stretch, f.direction)))
            )
    other = reshaped(scan, surface, tuple(features))
    return replace(other, recover=replace(other.recover, labels=kept))


def reshaped(scan: Scanned, surface: Surface, features: tuple[Feature, ...]) -> Scanned:
    return replace(scan, clean=replace(scan.clean, surface=surface), recover=replace(scan.recover, features=features))


def test_the_set_up_lies_where_it_does_within_what_is_said(result: Result, made: tuple[SetUp, SetUp]) -> None:
    (laid,) = result.join.set_ups
    off = small_motion(laid.motion @ np.linalg.inv(made[0].to_scan @ np.linalg.inv(made[1].to_scan)))
    assert off @ np.linalg.solve(laid.covariance, off) < chi2.ppf(0.999, 6)
    assert laid.corner < 0.05
    assert laid.onto == 1
    assert not any(shared.apart for shared in laid.shared)


def test_every_face_of_the_part_is_a_feature_once(result: Result, made: tuple[SetUp, SetUp]) -> None:
    """Six sides, the bore, the hole across, which the bore parts in two, and four holes by their mouths."""
    planes = [f for f in result.features if f.kind == "plane"]
    assert len(planes) == 6
    assert sorted(round(f.radius) for f in result.features if f.kind == "cylinder" and f.radius > 6) == [7, 7, 16]
    back = np.linalg.inv(made[0].to_scan)
    for f in planes:
        normal = turned(back, f.direction)
        axis = int(np.argmax(abs(normal)))
        off = abs(transformed(back, f.point)[axis]) - (45.0, 35.0, 30.0)[axis]
        assert abs(off) < 4.0 * f.uncertainty.position + 0.002


def test_the_distance_of_faces_that_no_scan_saw_together_is_within_its_uncertainty(
    result: Result, made: tuple[SetUp, SetUp]
) -> None:
    """Top and bottom of the block are 60 mm apart."""
    tops = {s: f for f, s in zip(result.features, result.join.seen, strict=True) if f.kind == "plane" and len(s) == 1}
    top, bottom = tops[1,], tops[2,]
    distance = abs((bottom.point - top.point) @ top.direction)
    u = np.hypot(top.uncertainty.position, bottom.uncertainty.position)
    lever = np.linalg.norm((bottom.point - top.point) - distance * top.direction * -1.0)
    assert distance == pytest.approx(60.0, abs=4.0 * np.hypot(u, lever * bottom.uncertainty.direction))
    assert u < 0.02


def test_features_that_both_saw_are_known_better(result: Result) -> None:
    join = result.join
    both = [f for f, s in zip(result.features, join.seen, strict=True) if s == (1, 2)]
    assert len(both) >= 5
    bore = next(f for f in both if f.kind == "cylinder" and f.radius > 10)
    assert bore.radius == pytest.approx(16.0, abs=4.0 * bore.uncertainty.radius)
    assert "2 scans" in bore.uncertainty.method
    # Each set-up saw three quarters of the bore's round.
    assert bore.extent.arc > np.radians(300.0)


def test_facets_carry_their_features_and_know_their_set_up(result: Result) -> None:
    surface, labels = result.clean.surface, result.recover.labels
    assert len(labels) == len(result.join.scan) == surface.facets
    assert set(np.unique(result.join.scan)) == {0, 1, SEAM}
    corners = surface.vertices[surface.faces[result.join.scan == SEAM]]
    # What closes a seam is no wider than the README says, three of the scan's edges of 1.6 mm.
    assert np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).max() < 3.0 * 1.6 * 1.2
    for index, feature in enumerate(result.features):
        corners = surface.vertices[np.unique(surface.faces[labels == index])]
        if feature.kind == "plane":
            assert np.abs((corners - feature.point) @ feature.direction).max() < 0.15


def test_what_a_scan_saw_is_there_once(result: Result) -> None:
    """Of what either scan saw no more than a strip narrower than an edge is left open along the seam, no edge has more
    than two facets, and no sheet lies on another."""
    surface = result.clean.surface
    scene = Scene(surface)
    (laid,) = result.join.set_ups
    for one, motion in zip(joined_block().alone, (np.eye(4), laid.motion), strict=True):
        seen = one.clean.surface
        points, _ = spread_points(seen.vertices, seen.faces, 20_000)
        assert np.mean(scene.distance(transformed(motion, points)) > 0.6 * 1.6) < 0.002
    edges = np.sort(surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    assert np.unique(edges, axis=0, return_counts=True)[1].max() == 2
    outwards, middles = facet_normals(surface.vertices, surface.faces), surface.vertices[surface.faces].mean(axis=1)
    facet, far = scene.first(middles + 1e-3 * outwards, outwards)
    near = far < 0.2
    alike = np.einsum("ij,ij->i", outwards[facet[near]], outwards[near]) > 0.5
    assert np.count_nonzero(alike) < 1e-4 * surface.facets


def test_steps_are_told_where_noise_does_not_explain_them(result: Result) -> None:
    """The same join with the laid scan 60 um proud along its seam, and as it is."""
    (laid,) = result.join.set_ups
    assert laid.at_seam.any()
    assert not any("At its seam" in text for text in result.join.cautions)
    told = steps(replace(laid, off=laid.off + np.where(np.cumsum(laid.at_seam) < 3, 0.06 * laid.at_seam, 0.0)))
    assert "proud near [" in told
    assert "in 2 of" in told


def test_a_second_run_makes_nothing_anew(result: Result) -> None:
    again = pipeline.run(joined_block().folder / "both.toml", until="join")
    assert all(stage.reused for stage in again.stages)
    assert [f.id for f in again.features] == [f.id for f in result.features]


def test_what_is_not_of_the_part_is_refused_in_one_sentence() -> None:
    stays, laid = joined_block().alone
    other = mirrored(scan_of(laid.clean, laid.recover))
    with pytest.raises(GeometryError, match="mirror image") as caught:
        joined(stays, reshaped(laid, other.surface, other.features))
    assert "side-1.stl" in str(caught.value)
    with pytest.raises(GeometryError, match=r"No place was found where side-1.stl fits on side-0.stl"):
        joined(stays, of_another_part(laid))


def test_a_scan_in_another_unit_is_refused_in_one_sentence() -> None:
    stays, laid = joined_block().alone
    small = tuple(
        replace(f, point=f.point / 25.4, radius=None if f.radius is None else f.radius / 25.4)
        for f in laid.recover.features
    )
    surface = Surface.measured(laid.clean.surface.vertices / 25.4, laid.clean.surface.faces)
    with pytest.raises(GeometryError, match="as units under its"):
        joined(stays, reshaped(laid, surface, small))


def test_scans_that_share_no_feature_are_refused_in_one_sentence() -> None:
    """One shows the top alone, the other what the bottom alone; and one on which nothing is machined."""
    stays, laid = joined_block().alone
    with pytest.raises(GeometryError, match="No place was found"):
        joined(with_one(stays, 0.0, 0.0, 30.0), with_one(laid, 0.0, 0.0, -30.0))
    bare = reshaped(
        replace(laid, recover=replace(laid.recover, labels=0 * laid.recover.labels - 1)), laid.clean.surface, ()
    )
    with pytest.raises(GeometryError, match=r"No machined surface was found on side-1\.stl"):
        joined(stays, bare)


def test_a_feature_that_is_not_there_is_told() -> None:
    stays, laid = joined_block().alone
    wish = laid.wish.model_copy(update={"same": (("H99", "H1"),)})
    with pytest.raises(SettingsError, match="has no feature 'H99'"):
        joined(stays, replace(laid, wish=wish))
