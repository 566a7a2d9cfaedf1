"""Walks over vertices against trimesh's adjacency and areas, and against balls found by scipy's k-d tree."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from pipeline.features.segmentation import vertex_walks
from pipeline.features.segmentation.region_growing import scratch_for
from pipeline.features.segmentation.vertex_walks import NO_REGION, Candidate, Gauge, Mesh
from pipeline.mesh.topology import vertex_ring
from pipeline.surfaces import KINDS, PACKED
from tests.features.faces import grid

FLAT_GAUGE = Gauge(0.01, 0.006, float(np.hypot(0.01, 0.006)), float(np.cos(np.radians(12.0))))


@pytest.fixture(scope="module")
def ball():
    return trimesh.creation.icosphere(subdivisions=3, radius=30.0)


@pytest.fixture(scope="module")
def ring(ball):
    return vertex_ring(ball.faces.astype(np.int32), len(ball.vertices))


def turns(ball):
    """Angle, rad, between the radii to both ends of each edge: by the definition of the scalar product."""
    out = ball.vertices / 30.0
    a, b = ball.edges_unique.T
    return a, b, np.arccos(np.clip((out[a] * out[b]).sum(axis=1), -1.0, 1.0))


def mesh_of(vertices, faces, normals, label=None):
    """A mesh in one piece, nothing of it creased."""
    indptr, indices = vertex_ring(faces, len(vertices))
    edge = vertex_walks.ring_measures(vertices, indptr, indices)
    free = np.full(len(vertices), NO_REGION, dtype=np.int32)
    turn = np.zeros(len(vertices), dtype=np.float32)
    return Mesh(vertices, normals, indptr, indices, free if label is None else label, turn, edge, edge * edge)


def floor(z=0.0):
    packed = np.zeros(PACKED)
    packed[2], packed[5], packed[6], packed[10], packed[14] = z, 1.0, 1.0, 1.0, 1.0
    return Candidate(KINDS["plane"].code, packed, 1.0)


def test_edges_areas_and_bends_of_a_ball(ball, ring):
    faces = ball.faces.astype(np.int32)
    edges = vertex_walks.ring_measures(ball.vertices, *ring)
    wanted = [
        np.linalg.norm(ball.vertices[near] - ball.vertices[i], axis=1).mean()
        for i, near in enumerate(ball.vertex_neighbors)
    ]
    assert edges == pytest.approx(wanted, rel=1e-6)
    shares = vertex_walks.vertex_shares(ball.vertices, faces)
    thirds = np.zeros(len(ball.vertices))
    np.add.at(thirds, ball.faces, ball.area_faces[:, None] / 3.0)
    assert shares == pytest.approx(thirds, rel=1e-6)
    half = (ball.vertices[:, 2] < 0.0).astype(np.int32) + 4
    half[ball.vertices[:, 0] > 20.0] = vertex_walks.NO_REGION
    whole = [ball.area_faces[(half[ball.faces] == region).all(axis=1)].sum() for region in (4, 5)]
    assert vertex_walks.whole_areas(ball.vertices, faces, half, 4, 2) == pytest.approx(whole, rel=1e-12)
    assert vertex_walks.whole_areas(ball.vertices, faces, half, 5, 1) == pytest.approx(whole[1:], rel=1e-12)
    a, b, turn = turns(ball)
    largest = np.zeros(len(ball.vertices))
    np.maximum.at(largest, a, turn)
    np.maximum.at(largest, b, turn)
    bend = vertex_walks.bends(ball.vertices / 30.0, *ring)
    assert bend == pytest.approx(largest, rel=1e-5)
    wider = vertex_walks.ring_maximum(bend, *ring)
    assert wider.tolist() == [bend[[i, *near]].max() for i, near in enumerate(ball.vertex_neighbors)]


def test_smoothing_is_the_mean_of_the_ring_and_stops_at_edges(ball, ring):
    normals = ball.vertices / 30.0
    smooth = np.empty_like(normals)
    vertex_walks.smoothed(normals, *ring, -1.1, smooth)
    for i in (0, 17, 300):
        mean = normals[[i, *ball.vertex_neighbors[i]]].sum(axis=0)
        assert smooth[i] == pytest.approx(mean / np.linalg.norm(mean), abs=1e-12)
    # Two walls that meet squarely: noise goes down by about the root of the seven averaged, and neither wall leans.
    rng = np.random.default_rng(3)
    vertices, faces, _ = grid(40, 1.0, lambda x, y: 0.0 * x)
    first = vertices[:, 0] < 20.0
    true = np.where(first[:, None], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0])
    noisy = true + rng.normal(0, 0.05, true.shape)
    noisy /= np.linalg.norm(noisy, axis=1, keepdims=True)
    after = np.empty_like(noisy)
    vertex_walks.smoothed(noisy, *vertex_ring(faces, len(vertices)), 0.8, after)

    def off(normals):
        return np.sqrt(np.mean(((normals - true) ** 2).sum(axis=1)))

    assert off(after) < off(noisy) / np.sqrt(5.0)
    assert np.abs((after * true[::-1]).sum(axis=1)).max() < 0.2


def test_a_patch_is_what_lies_within_its_radius():
    vertices, faces, normals = grid(50, 0.7, lambda x, y: 0.0 * x)
    mesh = mesh_of(vertices, faces, normals)
    table, out = np.full(8192, -1, dtype=np.int32), np.empty(4096, dtype=np.int32)
    seed = 25 * 50 + 20
    count = vertex_walks.patch(mesh, np.inf, np.int32(seed), 6.0, table, out)
    assert sorted(out[:count]) == sorted(cKDTree(vertices).query_ball_point(vertices[seed], 6.0))
    assert (table == -1).all()
    # It crosses no crease and no other region.
    mesh.turn[vertices[:, 0] == vertices[30 * 50, 0]] = 0.5
    mesh.label[vertices[:, 1] > vertices[22, 1]] = 4
    count = vertex_walks.patch(mesh, 0.35, np.int32(seed), 6.0, table, out)
    inside = cKDTree(vertices).query_ball_point(vertices[seed], 6.0)
    wanted = [i for i in inside if vertices[i, 0] < vertices[30 * 50, 0] and vertices[i, 1] <= vertices[22, 1]]
    assert sorted(out[:count]) == sorted(wanted)
    # Room for no more: half the table.
    small = np.full(64, -1, dtype=np.int32)
    assert vertex_walks.patch(mesh, np.inf, np.int32(seed), 6.0, small, out) == 32


def test_one_seed_in_each_cube_the_least_bent():
    rng = np.random.default_rng(5)
    vertices, _, normals = grid(40, 0.7, lambda x, y: 0.0 * x)
    bend = rng.random(len(vertices)).astype(np.float32)
    free, barred = np.full(len(vertices), NO_REGION, dtype=np.int32), np.zeros(len(vertices), dtype=np.bool_)
    free[:40], barred[40:80] = 0, True
    seeds = vertex_walks.spread_seeds(vertices, normals, bend, free, barred, 4.0, np.zeros(3))
    cells: dict[tuple[int, int], int] = {}
    for i in range(80, len(vertices)):
        cell = (int(vertices[i, 0] / 4.0), int(vertices[i, 1] / 4.0))
        if cell not in cells or bend[i] < bend[cells[cell]]:
            cells[cell] = i
    assert seeds.tolist() == sorted(cells.values())


def test_near_a_sharp_place_along_edges():
    vertices, faces, _ = grid(60, 0.5, lambda x, y: 0.0 * x)
    indptr, indices = vertex_ring(faces, len(vertices))
    edge = vertex_walks.ring_measures(vertices, indptr, indices)
    turn = np.zeros(len(vertices), dtype=np.float32)
    sharp = 30 * 60 + 30
    turn[sharp] = edge[sharp]  # 1 rad/mm
    near = vertex_walks.near_bends(turn, indptr, indices, edge, 0.5, 6.0)
    away = np.linalg.norm(vertices - vertices[sharp], axis=1)
    # Along this grid's edges a path is between 1 / sqrt(2) and sqrt(2) times as long as they are straight.
    assert near[away < 6.0 / np.sqrt(2.0) - 0.6].all()
    assert not near[away > 6.0 * np.sqrt(2.0)].any()
    assert not vertex_walks.near_bends(turn, indptr, indices, edge, 1.5, 6.0).any()


@pytest.mark.parametrize("step", [0.0, 1.0])
def test_a_region_grows_to_the_step_and_sees_what_lies_beyond(step):
    """A plane with its half raised: growth takes one half. What lies beyond is told by its normals and its region."""
    vertices, faces, normals = grid(40, 0.5, lambda x, y: np.where(x > 9.9, step, 0.0))
    normals = np.tile([0.0, 0.0, 1.0], (len(vertices), 1))
    low = vertices[:, 0] < 9.9
    mesh, scratch = mesh_of(vertices, faces, normals), scratch_for(len(vertices))
    scratch.stamp[0] += 2
    count = vertex_walks.grow(floor(), np.array([5], dtype=np.int32), len(vertices), mesh, scratch, FLAT_GAUGE)
    grown = scratch.out[:count]
    assert sorted(grown) == (np.flatnonzero(low) if step else np.arange(len(vertices))).tolist()
    last = low & (vertices[:, 0] > 9.4)
    assert scratch.rim[grown].tolist() == (last[grown] if step else np.zeros(count, bool)).tolist()
    # The same half marked as the region, whatever lies beyond.
    members = np.flatnonzero(low).astype(np.int32)
    scratch.stamp[0] += 2
    scratch.mark[members] = scratch.stamp[0]
    carried, along, total = vertex_walks.count_beyond(floor(), members, NO_REGION, 3, 0.9, mesh, scratch, FLAT_GAUGE)
    assert total == 40
    # It faces the same way beyond the step, which no fillet leads over.
    assert (carried, along) == (40, 40)
    mesh.normals[~low] = [1.0, 0.0, 0.0]
    scratch.stamp[0] += 4
    scratch.mark[members] = scratch.stamp[0]
    counts = vertex_walks.count_beyond(floor(), members, NO_REGION, 3, 0.9, mesh, scratch, FLAT_GAUGE)
    assert counts == (0, 0, 40)
    mesh.label[~low] = 2
    scratch.stamp[0] += 4
    scratch.mark[members] = scratch.stamp[0]
    counts = vertex_walks.count_beyond(floor(), members, NO_REGION, 3, 0.9, mesh, scratch, FLAT_GAUGE)
    assert counts == (0, 0, 40)


def test_a_facet_belongs_to_the_region_of_all_its_corners():
    faces = np.array([[0, 1, 2], [1, 2, 3], [3, 4, 5], [5, 4, 6]], dtype=np.int32)
    label = np.array([1, 1, 1, 2, 2, 2, NO_REGION], dtype=np.int32)
    assert vertex_walks.facet_labels(faces, label).tolist() == [1, -1, 2, -1]
