"""The lighten stage on a demo scan whose features are known.

Covers: pipeline.features.simplification.bounded_simplification
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pymeshlab
import pytest
import trimesh

from pipeline.features.simplification.feature_association import noise_reach, target_surface
from pipeline.job import LightenSettings
from pipeline.mesh.query.facet_points import spread_points
from pipeline.mesh.topology.defects import edge_report
from pipeline.stages.lighten import lighten
from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import shape_of
from pipeline.values import LightenResult
from pipeline.values.surface import FILLED, Surface
from tests.apart import distances_to
from tests.known import Known, known
from tests.needles import thin_facets
from tests.scans import demo_scan


@pytest.fixture(scope="module")
def part() -> Known:
    return known(demo_scan(100_000, 3, gaps=0, unseen_depths=False, plug=False, debris=0))


@pytest.fixture(scope="module")
def light(part: Known) -> LightenResult:
    return lighten(part.fill, part.recover, part.source, LightenSettings(facets=20_000))


def test_the_count_is_met(light: LightenResult) -> None:
    assert 19_999 <= light.surface.facets <= 20_000
    assert "count" in light.bound_by


def test_feature_vertices_lie_on_their_features(part: Known, light: LightenResult) -> None:
    for k, feature in enumerate(part.recover.features):
        vertices = light.surface.vertices[np.unique(light.surface.faces[light.labels == k])]
        assert len(vertices) >= 3, feature.id
        assert np.abs(signed_distance(shape_of(feature), vertices)).max() < 1e-6, feature.id


def test_it_is_a_valid_closed_surface(part: Known, light: LightenResult) -> None:
    surface = light.surface
    report = edge_report(surface.faces, len(surface.vertices))
    assert (report.border, report.nonmanifold, report.inconsistent, report.duplicate, report.degenerate) == (0,) * 5
    assert not thin_facets(surface.vertices, surface.faces).any()
    before = trimesh.Trimesh(part.clean.surface.vertices, part.clean.surface.faces, process=False)
    after = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    assert after.euler_number == before.euler_number
    assert after.volume == pytest.approx(before.volume, rel=1e-3)


def test_open_borders_stay_and_origin_is_carried(part: Known) -> None:
    centre = part.clean.surface.vertices[1000]
    middle = part.clean.surface.vertices[part.clean.surface.faces].mean(axis=1)
    away = np.linalg.norm(middle - centre, axis=1)
    kept = away > 8.0
    origin = np.where((away < 20.0) & kept, FILLED, 0)[kept].astype(np.uint8)
    surface = Surface(part.clean.surface.vertices, part.clean.surface.faces[kept], origin)
    fill = replace(part.fill, surface=surface, labels=part.fill.labels[kept])
    made = lighten(fill, part.recover, part.source, LightenSettings(facets=15_000)).surface
    report = edge_report(made.faces, len(made.vertices))
    assert report.border > 0
    assert report.nonmanifold == 0
    rim = distances_to(_border_points(surface), *_border_strip(made))
    assert rim.max() < part.source.mean_edge
    # What was invented is still called invented: the ring of 8 to 20 mm, and hardly anything else.
    light_away = np.linalg.norm(made.vertices[made.faces].mean(axis=1) - centre, axis=1)
    assert (light_away[made.origin == FILLED] < 24.0).all()
    assert (made.origin[light_away < 14.0] == FILLED).mean() > 0.95


def _border_edges(surface: Surface) -> np.ndarray:
    edges = np.sort(surface.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    unique, count = np.unique(edges, axis=0, return_counts=True)
    return unique[count == 1]


def _border_points(surface: Surface) -> np.ndarray:
    return surface.vertices[np.unique(_border_edges(surface))]


def _border_strip(surface: Surface) -> tuple[np.ndarray, np.ndarray]:
    """The border as hair-thin facets, so that a mesh library can measure to it."""
    edges = _border_edges(surface)
    a, b = surface.vertices[edges[:, 0]], surface.vertices[edges[:, 1]]
    corners = np.stack([a, b, b + 1e-6], axis=1).reshape(-1, 3)
    return corners, np.arange(len(corners)).reshape(-1, 3)


@pytest.mark.parametrize("tolerance", [0.3])
def test_a_tolerance_is_met_by_exact_distance(part: Known, tolerance: float) -> None:
    made = lighten(part.fill, part.recover, part.source, LightenSettings(tolerance=tolerance))
    assert not made.cautions
    assert "tolerance" in made.bound_by
    scan = part.fill.surface
    target = target_surface(
        scan.vertices,
        scan.faces,
        part.fill.labels,
        part.recover.features,
        noise_reach(part.source.noise_sigma),
        part.source.noise_sigma,
    )
    forth = distances_to(target.vertices, made.surface.vertices, made.surface.faces)
    assert forth.max() <= tolerance + 1e-5
    points, of_facet = spread_points(made.surface.vertices, made.surface.faces, 100_000, seed=5)
    label = made.labels[of_facet]
    back = distances_to(points, target.vertices, scan.faces)
    # On a feature the noise-free surface is the fitted one, not the chords between the scan's vertices.
    for k, feature in enumerate(part.recover.features):
        mine = label == k
        back[mine] = np.minimum(back[mine], np.abs(signed_distance(shape_of(feature), points[mine])))
    assert back.max() <= tolerance + 1e-5
    assert made.surface.facets < 40_000


def test_of_a_count_and_a_tolerance_the_one_that_binds_is_named(part: Known) -> None:
    many = lighten(part.fill, part.recover, part.source, LightenSettings(facets=80_000, tolerance=0.2))
    assert 79_000 <= many.surface.facets <= 80_000
    assert many.bound_by.startswith("the count")
    few = lighten(part.fill, part.recover, part.source, LightenSettings(facets=500, tolerance=0.4))
    assert few.surface.facets > 500
    assert few.bound_by.startswith("the tolerance")


def test_without_features_it_still_works(part: Known) -> None:
    none = replace(part.recover, features=(), labels=np.full_like(part.recover.labels, -1))
    fill = replace(part.fill, labels=none.labels)
    made = lighten(fill, none, part.source, LightenSettings(facets=5_000))
    assert 4_999 <= made.surface.facets <= 5_000
    assert (made.labels == -1).all()


def _crossing(vertices: np.ndarray, faces: np.ndarray) -> int:
    """Facets that pass through others, by pymeshlab, as a file in single precision has them."""
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(vertices.astype(np.float32).astype(float), faces))
    meshes.compute_selection_by_self_intersections_per_face()
    return meshes.current_mesh().selected_face_number()


@pytest.fixture(scope="module", params=["even", "cubes"])
def sharp(request: pytest.FixtureRequest) -> tuple[Known, LightenResult]:
    part = known(demo_scan(100_000, 5, 3, gaps=0, unseen_depths=False, plug=False, debris=0, meshing=request.param))
    return part, lighten(part.fill, part.recover, part.source, LightenSettings(facets=20_000, edges="sharp"))


def test_edges_made_sharp_leave_a_sound_surface(sharp: tuple[Known, LightenResult]) -> None:
    part, made = sharp
    light, scan = made.surface, part.fill.surface
    assert _crossing(scan.vertices, scan.faces) == 0
    assert _crossing(light.vertices, light.faces) == 0
    # What STL holds, read by another library that welds what is equal.
    read = trimesh.Trimesh(
        light.vertices.astype(np.float32)[light.faces].reshape(-1, 3),
        np.arange(3 * light.facets).reshape(-1, 3),
        process=True,
    )
    assert len(read.faces) == light.facets
    assert read.is_watertight
    assert read.is_winding_consistent
    assert (read.area_faces > 0).all()
    assert not any("passes through itself" in text for text in made.cautions)


def test_edges_made_sharp_are_where_features_meet(sharp: tuple[Known, LightenResult]) -> None:
    part, made = sharp
    rounded = lighten(part.fill, part.recover, part.source, LightenSettings(facets=20_000))
    shared = [_on_two(part, light) for light in (rounded, made)]
    # A coarse scan has few facets across its rounded edges, and so few that can be told to be edges.
    assert shared[1] > shared[0] + 30


def _on_two(part: Known, light: LightenResult) -> int:
    """How many vertices have facets of two features; each lies on both."""
    pairs = np.unique(np.c_[light.surface.faces.ravel(), np.repeat(light.labels, 3)], axis=0)
    pairs = pairs[pairs[:, 1] >= 0]
    for k, feature in enumerate(part.recover.features):
        mine = light.surface.vertices[pairs[pairs[:, 1] == k, 0]]
        assert np.abs(signed_distance(shape_of(feature), mine)).max(initial=0.0) < 1e-6
    return int((np.bincount(pairs[:, 0]) >= 2).sum())
