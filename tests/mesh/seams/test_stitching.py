"""Meshes of one surface put together: every place once, no point moved, and the seam closed.

Covers: pipeline.mesh.seams.stitching

What is put together are parts of a sphere whose facets are known (trimesh's icosphere, another net each), so that
area, distance from the exact sphere and what lies twice are known from outside.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from pipeline.mesh.query import Scene, self_intersections
from pipeline.mesh.seams import Stitched, stitched
from pipeline.mesh.seams.stitching import _with_more
from pipeline.mesh.topology import boundary_loops, facet_areas, facet_neighbours, facet_normals
from pipeline.values import Surface

RADIUS = 30.0


def cap(seed: int, pole: np.ndarray, low: float, noise: float = 0.0, ragged: float = 0.0) -> Surface:
    """What of the sphere lies above a height along a pole, in a net of its own; the height `ragged` by some mm."""
    ball = trimesh.creation.icosphere(5, RADIUS)
    points = Rotation.random(random_state=np.random.default_rng(seed)).apply(ball.vertices)
    draw = np.random.default_rng([seed, 2])
    waves = np.cos(points @ draw.normal(scale=2.0, size=(3, 12)) + draw.uniform(0.0, 2.0 * np.pi, 12))
    height = points @ pole + ragged * waves.sum(axis=1) / np.sqrt(6.0)
    points *= 1.0 + noise / RADIUS * np.random.default_rng([seed, 1]).standard_normal((len(points), 1))
    kept = ball.faces[(height[ball.faces] > low).all(axis=1)]
    used, faces = np.unique(kept, return_inverse=True)
    return Surface.measured(points[used], faces.reshape(-1, 3))


@pytest.fixture(scope="module")
def parts() -> list[Surface]:
    up = np.array([0.0, 0.0, 1.0])
    return [cap(1, up, -8.0, 0.01), cap(2, -up, -8.0, 0.01)]


@pytest.fixture(scope="module")
def whole(parts: list[Surface]) -> Stitched:
    return stitched(parts, 0.1)


def test_no_point_is_moved_and_none_invented(parts: list[Surface], whole: Stitched) -> None:
    given = {tuple(point) for part in parts for point in part.vertices}
    assert {tuple(point) for point in whole.surface.vertices} <= given


def test_every_place_is_there_once(whole: Stitched) -> None:
    v, f = whole.surface.vertices, whole.surface.faces
    area = float(facet_areas(v, f).sum())
    # The facets' chords take some parts of a thousand off the sphere's.
    assert 4.0 * np.pi * RADIUS**2 * 0.998 < area < 4.0 * np.pi * RADIUS**2 * 1.001
    assert (facet_neighbours(f, len(v)) >= -1).all()
    assert not len(self_intersections(v, f))


@pytest.mark.parametrize("ragged", [0.0, 2.0, 4.0])
@pytest.mark.parametrize("low", [-3.0, -1.0, 0.5])
@pytest.mark.parametrize("seed", [1, 3, 5, 7])
def test_no_sheet_lies_on_another(seed: int, low: float, ragged: float) -> None:
    """Nor does what closes a seam between rims with bays and tongues, the rim's own mesh among it."""
    parts = [cap(seed + k, np.array([0.0, 0.0, way]), low, 0.01, ragged) for k, way in enumerate((1.0, -1.0))]
    whole = stitched(parts, 0.1)
    v, f = whole.surface.vertices, whole.surface.faces
    outwards, middle = facet_normals(v, f), v[f].mean(axis=1)
    # Straight out of the middle of each facet nothing else of the sphere is met, and straight in only its far side.
    scene = Scene(whole.surface)
    _, far = scene.first(middle + 1e-3 * outwards, outwards)
    assert np.isinf(far).all()
    _, deep = scene.first(middle - 1e-3 * outwards, -outwards)
    assert deep.min() > RADIUS


def test_the_seam_is_closed(whole: Stitched) -> None:
    """What is left is one sheet without a rim, each edge of two facets: a sphere's Euler number is 2."""
    faces, count = whole.surface.faces, len(whole.surface.vertices)
    assert (whole.facet < 0).sum() > 20
    assert not boundary_loops(faces, count)
    assert (facet_neighbours(faces, count) >= 0).all()
    assert count - 3 * len(faces) // 2 + len(faces) == 2


def test_each_facet_is_one_of_the_mesh_that_it_is_said_to_be_of(parts: list[Surface], whole: Stitched) -> None:
    for k, part in enumerate(parts):
        mine = (whole.mesh == k) & (whole.facet >= 0)
        corners = whole.surface.vertices[whole.surface.faces[mine]]
        np.testing.assert_array_equal(corners, part.vertices[part.faces[whole.facet[mine]]])


def test_the_seam_runs_where_both_are_far_from_their_rims(whole: Stitched) -> None:
    height = whole.surface.vertices[whole.surface.faces].mean(axis=1)[:, 2]
    assert height[whole.mesh == 0].min() == pytest.approx(0.0, abs=2.0)
    assert height[(whole.mesh == 1)].max() == pytest.approx(0.0, abs=2.0)


def test_one_mesh_alone_stays_as_it_is(parts: list[Surface]) -> None:
    alone = stitched(parts[:1], 0.1)
    assert alone.surface is parts[0]
    assert not alone.mesh.any()


def test_neighbours_with_facets_that_come_to_it_are_those_of_the_whole() -> None:
    """Facets taken out of a net, and one more on an edge that has two: as `facet_neighbours` finds them."""
    ball = trimesh.creation.icosphere(3, RADIUS)
    faces = np.vstack([ball.faces, [[ball.faces[0, 0], ball.faces[0, 1], 500]]]).astype(np.int32)
    out = np.zeros(len(faces), dtype=bool)
    out[np.random.default_rng(2).choice(len(faces), 200, replace=False)] = out[-1] = True
    rest, more = faces[~out], faces[out]
    found = _with_more(rest, facet_neighbours(rest, len(ball.vertices)), more, len(ball.vertices))
    whole = facet_neighbours(np.vstack([rest, more]), len(ball.vertices))
    assert (whole == -2).any()
    assert (found == whole).all()
