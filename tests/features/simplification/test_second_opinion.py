"""The distances by another library, on surfaces whose distance is known by construction; and a lie is seen."""

from __future__ import annotations

import importlib
from dataclasses import replace

import numpy as np
import pytest
import trimesh

from pipeline.errors import SettingsError
from pipeline.features.simplification import Distances, Target, measured_again, two_sided
from pipeline.features.simplification.second_opinion import distances_of, largest_hole, spread_distances
from pipeline.mesh.query import Scene
from pipeline.values import FILLED, MEASURED, SecondOpinion, Surface


def _surface(mesh: trimesh.Trimesh) -> Surface:
    return Surface(
        np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int32), np.full(len(mesh.faces), MEASURED, np.uint8)
    )


def _sphere(radius: float, fineness: int) -> Surface:
    return _surface(trimesh.creation.icosphere(fineness, radius))


def _square(height: float, side: float = 20.0, steps: int = 20) -> Surface:
    """A flat square at a height."""
    x, y = (a.ravel() for a in np.meshgrid(*[np.linspace(0.0, side, steps + 1)] * 2, indexing="ij"))
    at = np.arange((steps + 1) ** 2).reshape(steps + 1, steps + 1)
    a, b, c, d = (part.ravel() for part in (at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]))
    faces = np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    return Surface(np.column_stack([x, y, np.full(len(x), height)]), faces, np.full(len(faces), MEASURED, np.uint8))


def _chord_height(surface: Surface) -> float:
    """How far the facets of a mesh that is inscribed in a sphere lie inside it: the middles lie deepest."""
    middles = surface.vertices[surface.faces].mean(axis=1)
    radius = np.linalg.norm(surface.vertices[0])
    return float(radius - np.linalg.norm(middles, axis=1).min())


def _target(scan: Surface, noise: np.ndarray | float = 0.0) -> Target:
    n = len(scan.vertices)
    vertices = scan.vertices - np.column_stack([np.zeros((n, 2)), np.zeros(n) + noise])
    return Target(vertices, np.full(scan.facets, -1, np.int32), np.full((n, 3), -1, np.int16), np.empty((0, 14)))


@pytest.fixture(scope="module")
def spheres() -> tuple[Surface, Surface, Distances]:
    scan, light = _sphere(10.0, 4), _sphere(10.5, 3)
    return scan, light, two_sided(scan, Scene(scan), _target(scan), light, np.full(light.facets, -1, np.int32))


def _opinion(scan: Surface, light: Surface, noise: np.ndarray | float = 0.0) -> tuple[Distances, SecondOpinion]:
    """Our audit of two meshes without features, and the second opinion; `noise` is taken off the scan's heights."""
    target = _target(scan, noise)
    scene = Scene(Surface(target.vertices, scan.faces, scan.origin))
    ours = two_sided(scan, scene, target, light, np.full(light.facets, -1, np.int32))
    return ours, measured_again(scan, scene, target, light, ours)


def test_points_above_a_plane() -> None:
    square = _square(0.0)
    points = np.array([[3.1, 4.2, 0.25], [10.0, 10.0, -3.0], [20.0, 5.0, 0.0], [23.0, 5.0, 4.0]])
    assert distances_of(points, square.vertices, square.faces) == pytest.approx([0.25, 3.0, 0.0, 5.0], abs=1e-5)


def test_parallel_planes() -> None:
    _, found = _opinion(_square(0.0), _square(0.125))
    for way in (found.scan_to_light, found.light_to_scan):
        assert [way.mean, way.rms, way.p95, way.max] == pytest.approx([0.125] * 4, abs=1e-5)
    assert found.cautions == ()


def test_spheres_within_each_other() -> None:
    """Radii 10 and 10.5: half a millimetre, less what the chords of the meshes lie inside the spheres."""
    inner, outer = _sphere(10.0, 5), _sphere(10.5, 4)
    _, found = _opinion(inner, outer)
    assert 0.5 - _chord_height(outer) - 1e-5 <= found.scan_to_light.mean <= 0.5
    deepest = _chord_height(outer) + _chord_height(inner)
    assert abs(found.light_to_scan.mean - 0.5) <= deepest
    assert found.light_to_scan.samples > 200_000
    assert found.cautions == ()


def test_samples_lie_on_the_mesh_that_is_sampled() -> None:
    points, distance = spread_distances(_square(0.5), _square(0.0), 50_000)
    assert np.abs(points[:, 2] - 0.5).max() < 1e-6
    assert distance == pytest.approx(0.5, abs=1e-5)
    # Evenly: a quarter of the square holds a quarter of them, give or take five standard deviations.
    quarter = np.mean((points[:, :2] < 10.0).all(axis=1))
    assert abs(quarter - 0.25) < 5.0 * np.sqrt(0.25 * 0.75 / len(points))


def test_what_was_filled_is_left_out() -> None:
    """Over a filled half the light mesh bulges by 2 mm; of that nothing was measured."""
    scan = _square(0.0)
    far = (scan.vertices[scan.faces][:, :, 0] > 10.0).any(axis=1)
    scan = replace(scan, origin=np.where(far, FILLED, MEASURED).astype(np.uint8))
    light = _square(0.0, steps=40)
    vertices = light.vertices.copy()
    vertices[vertices[:, 0] > 12.0, 2] = 2.0
    _, found = _opinion(scan, replace(light, vertices=vertices))
    assert found.scan_to_light.max < 1e-5
    assert found.light_to_scan.max < 1e-5
    assert found.cautions == ()


def test_noise_explains_that_another_facet_is_nearest() -> None:
    rng = np.random.default_rng(4)
    noise = rng.normal(0.0, 0.02, 21 * 21)
    flat = _square(0.0)
    rough = replace(flat, vertices=flat.vertices + np.column_stack([np.zeros((len(noise), 2)), noise]))
    _, found = _opinion(rough, _square(0.0, steps=3), noise)
    assert found.cautions == ()


@pytest.mark.parametrize(
    ("rms", "largest", "seen"),
    [
        (0.99, 0.5, ["scan to light, rms", "scan to light, max", "light to scan, rms", "light to scan, max"]),
        (1.01, 1.01, ["scan to light, rms", "scan to light, max", "light to scan, rms"]),
        (1.0, 1.0, []),
    ],
)
def test_a_false_figure_of_ours_is_seen(
    spheres: tuple[Surface, Surface, Distances], rms: float, largest: float, seen: list[str]
) -> None:
    """Each is wrong by 1 %; the largest distance back by a half, since between random points it isn't known better."""
    scan, light, ours = spheres
    told = (ours.scan_to_light, ours.light_to_scan)
    forth, back = (replace(way, rms=rms * way.rms, max=largest * way.max) for way in told)
    target = _target(scan)
    found = measured_again(scan, Scene(scan), target, light, replace(ours, scan_to_light=forth, light_to_scan=back))
    assert len(found.cautions) == len(seen)
    assert all(words in caution for words, caution in zip(seen, found.cautions, strict=True))


def test_points_at_random_leave_no_larger_hole() -> None:
    """Held against points spread by numpy over a square, its edges joined so that it has no border."""
    from scipy.spatial import cKDTree

    points = np.random.default_rng(7).uniform(0.0, 10.0, (5000, 2))
    asked = np.random.default_rng(8).uniform(0.0, 10.0, (200_000, 2))
    hole = cKDTree(points, boxsize=10.0).query(asked)[0].max()
    assert 0.4 * largest_hole(100.0, 5000) < hole < largest_hole(100.0, 5000)


def test_without_the_library_a_sentence_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> None:
        raise ImportError("libGL.so.1: cannot open shared object file")

    square = _square(0.0)
    with monkeypatch.context() as patch:
        patch.setattr(importlib, "import_module", missing)
        with pytest.raises(SettingsError, match=r"pymeshlab, which can't be loaded \(libGL"):
            distances_of(square.vertices, square.vertices, square.faces)
    pymeshlab = pytest.importorskip("pymeshlab")
    monkeypatch.setattr(pymeshlab, "filter_list", lambda: ["load_new_mesh"])
    with pytest.raises(SettingsError, match="libopengl0"):
        distances_of(square.vertices, square.vertices, square.faces)
