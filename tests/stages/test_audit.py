"""The audit must catch sabotage, name the right feature, and leave an honest light mesh in peace.

Covers: pipeline.features.simplification.audit
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.features.joining import Scene, SetUp
from pipeline.job import AuditSettings, LightenSettings
from pipeline.stages.audit import audit, compare
from pipeline.stages.join import scan_of
from pipeline.stages.lighten import lighten
from pipeline.values import Audit, LightenResult
from pipeline.values.surface import Surface
from tests.apart import distances_to
from tests.known import Known, known
from tests.scans import demo_scan

BUDGET = AuditSettings(max_deviation=0.45, max_axis_shift=0.01, max_radius_change=0.01, max_tilt=0.02)


@pytest.fixture(scope="module")
def part() -> Known:
    return known(demo_scan(100_000, 3, gaps=0, unseen_depths=False, plug=False, debris=0))


@pytest.fixture(scope="module")
def light(part: Known) -> LightenResult:
    return lighten(part.fill, part.recover, part.source, LightenSettings(facets=40_000))


def _audit(part: Known, light: LightenResult) -> Audit:
    return audit(part.clean.removals, part.recover, part.fill, light, part.source, BUDGET).audit


def _spoilt(light: LightenResult, label: int, change) -> LightenResult:  # type: ignore[no-untyped-def]
    """The light mesh with the vertices of one feature moved by `change`."""
    vertices = light.surface.vertices.copy()
    mine = np.unique(light.surface.faces[light.labels == label])
    vertices[mine] = change(vertices[mine])
    return replace(light, surface=replace(light.surface, vertices=vertices))


def _broken(found: Audit, what: str) -> set[str]:
    return {line.where for line in found.budget if not line.held and line.what == what}


def test_an_honest_mesh_holds_the_budget(part: Known, light: LightenResult) -> None:
    found = _audit(part, light)
    assert found.within_budget, found.budget
    assert all(f.verdict == "ok" for f in found.features)
    assert found.noise_aside is not None
    # Bores' radii on the light vertices are those of the dense fit; on the facets they are smaller.
    bore = found.features[part.label("bearing seat A")]
    assert abs(bore.radius_change or 0.0) < 1e-6
    assert bore.on_facets is not None
    assert bore.on_facets[2] < 0


def test_distances_are_those_of_another_library(part: Known, light: LightenResult) -> None:
    found = _audit(part, light)
    scan = part.clean.surface
    d = distances_to(scan.vertices, light.surface.vertices, light.surface.faces)
    assert found.scan_to_light.max == pytest.approx(d.max(), abs=1e-4)
    assert found.scan_to_light.rms == pytest.approx(np.sqrt((d**2).mean()), rel=0.1)
    # The scan's noise is in the one figure and not in the other.
    assert found.scan_to_light.rms > found.noise_aside[0].rms  # type: ignore[index]


def test_a_moved_bore_is_named(part: Known, light: LightenResult) -> None:
    label = part.label("bearing seat A")
    across = np.cross(part.recover.features[label].direction, (0.3, 0.5, 0.8))
    step = 0.030 * across / np.linalg.norm(across)
    found = _audit(part, _spoilt(light, label, lambda p: p + step))
    assert not found.within_budget
    assert _broken(found, "axis shift") == {"bearing seat A"}
    assert found.features[label].shift == pytest.approx(0.030, abs=1e-6)
    assert found.features[label].verdict == "over budget"


def test_a_grown_bore_is_named(part: Known, light: LightenResult) -> None:
    label = part.label("seal bore")
    feature = part.recover.features[label]

    def grown(p: np.ndarray) -> np.ndarray:
        along = (p - feature.point) @ feature.direction
        axis = feature.point + along[:, None] * feature.direction
        return axis + (p - axis) * (1 + 0.020 / feature.radius)

    found = _audit(part, _spoilt(light, label, grown))
    assert _broken(found, "radius change") == {"seal bore"}
    assert found.features[label].radius_change == pytest.approx(0.020, abs=1e-5)


def test_a_tilted_face_is_named(part: Known, light: LightenResult) -> None:
    label = part.label("foot bottom")
    feature = part.recover.features[label]
    axis = np.cross(feature.direction, (0.3, 0.5, 0.8))
    turn = Rotation.from_rotvec(np.radians(0.05) * axis / np.linalg.norm(axis))
    found = _audit(part, _spoilt(light, label, lambda p: turn.apply(p - feature.point) + feature.point))
    assert _broken(found, "tilt") == {"foot bottom"}
    assert np.degrees(found.features[label].tilt) == pytest.approx(0.05, abs=1e-4)


def test_a_missing_patch_is_named(part: Known, light: LightenResult) -> None:
    label = part.label("flange face")
    mine = np.flatnonzero(light.labels == label)
    corners = light.surface.vertices[light.surface.faces[mine]]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    gone = mine[np.argsort(area)[-5:]]
    keep = np.setdiff1d(np.arange(light.surface.facets), gone)
    surface = Surface(light.surface.vertices, light.surface.faces[keep], light.surface.origin[keep])
    found = _audit(part, replace(light, surface=surface, labels=light.labels[keep]))
    assert not found.within_budget
    assert _broken(found, "deviation of a feature") == {"flange face"}


def test_a_mesh_without_labels_is_judged_by_nearness(part: Known, light: LightenResult) -> None:
    label = part.label("bearing seat A")
    across = np.cross(part.recover.features[label].direction, (0.3, 0.5, 0.8))
    spoilt = _spoilt(light, label, lambda p: p + 0.030 * across / np.linalg.norm(across)).surface
    found = compare(part.clean, part.recover, part.source, spoilt, BUDGET)
    assert _broken(found, "axis shift") == {"bearing seat A"}
    assert found.alignment is None


def test_a_mesh_in_another_place_is_laid_onto_the_scan_first(part: Known, light: LightenResult) -> None:
    turn = Rotation.from_rotvec((0.4, -1.1, 0.7)).as_matrix()
    shift = np.array([30.0, -80.0, 12.0])
    moved = replace(light.surface, vertices=light.surface.vertices @ turn.T + shift)
    scan = scan_of(part.clean, part.recover)
    bare = SetUp(moved, np.full(moved.facets, -1, np.int32), (), Scene(()), part.recover.noise)
    found = compare(part.clean, part.recover, part.source, moved, BUDGET, aligned=(scan, bare))
    assert found.alignment is not None
    motion = found.alignment.motion
    np.testing.assert_allclose(motion[:3, :3] @ turn, np.eye(3), atol=5e-5)
    np.testing.assert_allclose(motion[:3, :3] @ shift + motion[:3, 3], 0.0, atol=0.02)
    assert found.within_budget, [line for line in found.budget if not line.held]


def test_edges_made_sharp_on_request_keep_the_budget(part: Known) -> None:
    rounded = lighten(part.fill, part.recover, part.source, LightenSettings(facets=60_000))
    sharp = lighten(part.fill, part.recover, part.source, LightenSettings(facets=60_000, edges="sharp"))
    asked = AuditSettings(max_deviation=0.25)
    plain, found = (
        audit(part.clean.removals, part.recover, part.fill, light, part.source, asked).audit
        for light in (rounded, sharp)
    )
    assert plain.sharp_edges is None
    assert found.sharp_edges is not None
    assert found.noise_aside is not None
    # The scanner's radius r at a right angle leaves (sqrt(2) - 1) r of metal out, some noise aside.
    corner = (np.sqrt(2.0) - 1.0) * part.scan.truth["edge_radius"]  # type: ignore[operator]
    assert found.sharp_edges.from_scan > 0.9 * corner
    assert found.sharp_edges.from_features == pytest.approx(0.0, abs=0.12)
    assert found.within_budget, found.budget
    # Where an edge is not where the features meet, the sharp surface says so.
    aside = replace(sharp, surface=replace(sharp.surface, vertices=sharp.surface.vertices + 0.2))
    moved = _audit(part, aside).sharp_edges
    assert moved is not None
    assert moved.from_features > 0.2


def test_open_edges_and_crossings_are_counted(part: Known, light: LightenResult) -> None:
    whole = _audit(part, light).soundness
    assert whole is not None
    assert whole.open_edges == (0, 0)
    assert whole.crossing == (0, 0)
    # One facet less; and one corner far on the other side of the part.
    less = replace(
        light, surface=replace(light.surface, faces=light.surface.faces[1:], origin=light.surface.origin[1:])
    )
    found = _audit(part, replace(less, labels=light.labels[1:])).soundness
    assert found is not None
    assert found.open_edges == (0, 3)
    middle = light.surface.vertices.mean(axis=0)
    far = light.surface.vertices.copy()
    far[0] = 2.0 * middle - far[0]
    crossed = _audit(part, replace(light, surface=replace(light.surface, vertices=far))).soundness
    assert crossed is not None
    assert crossed.crossing[1] > 0
    assert crossed.crossing[0] == 0
