"""Neighbours, rings, loops and measures, held against trimesh, scipy and Euler's formula.

Covers: pipeline.mesh.topology.adjacency, pipeline.mesh.topology.boundaries, pipeline.mesh.topology.components
Covers: pipeline.mesh.topology.defects, pipeline.mesh.topology.measures
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.sparse.csgraph import connected_components

from pipeline.mesh.topology.adjacency import (
    corner_counts,
    corners_by_label,
    facet_neighbours,
    facets_at,
    vertex_facets,
    vertex_ring,
)
from pipeline.mesh.topology.boundaries import border_edges, boundary_loops
from pipeline.mesh.topology.components import compact, components, rows_left, values_left
from pipeline.mesh.topology.defects import EdgeReport, duplicate_facets, edge_report
from pipeline.mesh.topology.measures import (
    edge_lengths,
    facet_areas,
    facet_normals,
    mean_edge,
    median_edge,
    vertex_normals,
)


def _sample(name: str) -> tuple[np.ndarray, np.ndarray]:
    mesh = {
        "ball": lambda: trimesh.creation.icosphere(3),
        "tube": lambda: trimesh.creation.annulus(10, 20, 30),
        "torus": lambda: trimesh.creation.torus(20, 5),
    }[name]()
    return mesh.vertices.astype(float), mesh.faces.astype(np.int32)


def _open_tube() -> tuple[np.ndarray, np.ndarray]:
    """24 x 6 quads round a cylinder, open at both ends, normals outwards."""
    angle = np.arange(24) * np.pi / 12
    ring = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    v = np.concatenate([ring + np.array([0, 0, z]) for z in range(7)])
    faces = []
    for z in range(6):
        for k in range(24):
            a, b = 24 * z + k, 24 * z + (k + 1) % 24
            faces += [[a, b, b + 24], [a, b + 24, a + 24]]
    return v, np.array(faces, dtype=np.int32)


@pytest.mark.parametrize("name", ["ball", "tube", "torus"])
def test_measures_agree_with_trimesh(name: str) -> None:
    v, f = _sample(name)
    mesh = trimesh.Trimesh(v, f, process=False)
    np.testing.assert_allclose(facet_areas(v, f), mesh.area_faces, rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(facet_normals(v, f), mesh.face_normals, atol=1e-5)
    pairs = {tuple(p) for p in np.sort(mesh.face_adjacency, axis=1)}
    near = facet_neighbours(f, len(v))
    assert {(min(i, j), max(i, j)) for i in range(len(f)) for j in near[i]} == pairs
    assert mean_edge(v, f) == pytest.approx(mesh.edges_unique_length.mean(), rel=1e-9)
    assert median_edge(v, f) == pytest.approx(np.median(edge_lengths(v, f)))


@pytest.mark.parametrize("name", ["ball", "tube", "torus"])
def test_a_closed_mesh_has_nothing_amiss(name: str) -> None:
    v, f = _sample(name)
    assert edge_report(f, len(v)) == EdgeReport(0, 0, 0, 0, 0)
    assert boundary_loops(f, len(v)) == ()


def test_vertex_normals_of_a_ball_point_outwards() -> None:
    v, f = _sample("ball")
    normals = vertex_normals(v, f)
    assert np.einsum("ij,ij->i", normals, v / np.linalg.norm(v, axis=1)[:, None]).min() > 0.999


def test_ring_is_the_vertex_graph() -> None:
    v, f = _sample("torus")
    indptr, indices = vertex_ring(f, len(v))
    neighbours = trimesh.Trimesh(v, f, process=False).vertex_neighbors
    for p in range(len(v)):
        assert indices[indptr[p] : indptr[p + 1]].tolist() == sorted(neighbours[p])


def test_vertex_facets_lists_each_corner_once() -> None:
    v, f = _sample("ball")
    indptr, facets = vertex_facets(f, len(v))
    assert len(facets) == 3 * len(f)
    for p in (0, 17, len(v) - 1):
        assert set(facets[indptr[p] : indptr[p + 1]]) == set(np.flatnonzero((f == p).any(axis=1)))


def test_loops_run_with_their_facets() -> None:
    v, f = _open_tube()
    loops = boundary_loops(f, len(v))
    assert [len(loop) for loop in loops] == [24, 24]
    edges = {(int(a), int(b)) for k in range(3) for a, b in zip(f[:, k], f[:, (k + 1) % 3], strict=True)}
    for loop in loops:
        for a, b in zip(loop, np.roll(loop, -1), strict=True):
            assert (int(a), int(b)) in edges
            assert (int(b), int(a)) not in edges


def test_a_loop_round_touching_holes_passes_their_vertex_twice() -> None:
    # Two facets without a common edge, taken out round one vertex, leave a pinched border there.
    v, f = _sample("ball")
    indptr, facets = vertex_facets(f, len(v))
    around = facets[indptr[100] : indptr[101]]
    first = around[0]
    far = next(i for i in around if len(set(f[i]) & set(f[first])) == 1)
    (loop,) = boundary_loops(np.delete(f, [first, far], axis=0), len(v))
    assert len(loop) == 6
    assert np.count_nonzero(loop == 100) == 2


def test_pieces_are_those_of_scipy_largest_first() -> None:
    v, f = _sample("ball")
    keep = np.random.default_rng(0).random(len(f)) < 0.55
    near = facet_neighbours(f[keep], len(v))
    labels = components(near)
    rows, sides = np.nonzero(near >= 0)
    from scipy.sparse import coo_matrix

    graph = coo_matrix((np.ones(len(rows)), (rows, near[rows, sides])), shape=(keep.sum(),) * 2)
    count, expected = connected_components(graph, directed=False)
    assert labels.max() + 1 == count > 10
    assert len({(a, b) for a, b in zip(labels, expected, strict=True)}) == count
    sizes = np.bincount(labels)
    assert (np.diff(sizes) <= 0).all()


def test_faults_are_counted() -> None:
    v, f = _sample("ball")
    flipped = f.copy()
    flipped[7] = flipped[7][::-1]
    assert edge_report(flipped, len(v)).inconsistent == 3
    doubled = np.vstack([f, f[3:5], f[9:10, [0, 2, 1]]])
    report = edge_report(doubled, len(v))
    assert report.duplicate == 3
    # The two facets side by side share one of their six edges.
    shared = len(set(f[3]) & set(f[4])) == 2
    assert report.nonmanifold == 3 * 3 - shared
    assert edge_report(np.vstack([f, [[1, 1, 2]]]).astype(np.int32), len(v)).degenerate == 1
    assert edge_report(f[1:], len(v)).border == 3


def test_compact_leaves_geometry_alone() -> None:
    v, f = _sample("torus")
    part = f[::3]
    points, faces, kept = compact(v, part)
    np.testing.assert_array_equal(points[faces], v[part])
    np.testing.assert_array_equal(v[kept], points)
    assert len(points) == len(np.unique(part))


def test_empty_mesh_is_no_crash() -> None:
    v, f = np.empty((0, 3)), np.empty((0, 3), dtype=np.int32)
    assert boundary_loops(f, 0) == ()
    assert mean_edge(v, f) == 0
    assert len(compact(np.zeros((4, 3)), f)[0]) == 0


@pytest.mark.parametrize("facets", [20, 60])
def test_many_facets_about_a_vertex_are_told_as_few_are(facets: int) -> None:
    """Few are looked through, many sorted: both against plain counting, doubles and edges of many facets included."""
    random = np.random.default_rng(facets)
    for hub in (0, 15):  # where it is the smallest vertex of each edge, and where it is not
        f = random.integers(0, 30, (facets, 3)).astype(np.int32)
        f[:, 0] = hub
        f[facets // 2 :: 3] = f[: len(f[facets // 2 :: 3]), [2, 0, 1]]
        f = np.concatenate([f, random.integers(0, 30, (40, 3)).astype(np.int32)])
        at: dict[tuple[int, int], list[int]] = {}
        for i, facet in enumerate(f.tolist()):
            for k in range(3):
                a, b = facet[k], facet[(k + 1) % 3]
                if a != b:
                    at.setdefault((min(a, b), max(a, b)), []).append(i)
        near = facet_neighbours(f, 30)
        for i, facet in enumerate(f.tolist()):
            for k in range(3):
                a, b = facet[k], facet[(k + 1) % 3]
                there = at.get((min(a, b), max(a, b)), [i])
                want = -1 if len(there) == 1 else -2 if len(there) > 2 else sum(there) - i
                assert near[i, k] == want
        report = edge_report(f, 30)
        assert report.border == sum(len(there) == 1 for there in at.values())
        assert report.nonmanifold == sum(len(there) > 2 for there in at.values())
        whole = [tuple(sorted(facet)) for facet in f.tolist()]
        double = [len(set(one)) == 3 and one in whole[:i] for i, one in enumerate(whole)]
        assert duplicate_facets(f, 30).tolist() == double
        starts, ring = vertex_ring(f, 30)
        for p in range(30):
            want_ring = {q for pair in at if p in pair for q in pair if q != p}
            assert ring[starts[p] : starts[p + 1]].tolist() == sorted(want_ring)


def test_doubles_are_the_same_ones_where_the_neighbours_are_known() -> None:
    rng = np.random.default_rng(5)
    _, ball = _sample("ball")
    more = rng.permuted(ball[rng.integers(0, len(ball), 300)], axis=1)
    f = np.vstack([ball, more, rng.integers(0, 642, (200, 3))]).astype(np.int32)
    f = f[(f[:, 0] != f[:, 1]) & (f[:, 1] != f[:, 2]) & (f[:, 2] != f[:, 0])]
    # numpy tells which rows are the first of their kind.
    _, first = np.unique(np.sort(f, axis=1), axis=0, return_index=True)
    expected = ~np.isin(np.arange(len(f)), first)
    np.testing.assert_array_equal(duplicate_facets(f, 642), expected)
    np.testing.assert_array_equal(duplicate_facets(f, 642, facet_neighbours(f, 642)), expected)


def test_facets_at_vertices_and_what_is_left_without_them() -> None:
    rng = np.random.default_rng(6)
    f = rng.integers(0, 50, (400, 3)).astype(np.int32)
    chosen = rng.random(50) < 0.1
    at = facets_at(f, chosen)
    np.testing.assert_array_equal(at, chosen[f].any(axis=1))
    np.testing.assert_array_equal(rows_left(f, at), f[~at])
    np.testing.assert_array_equal(corner_counts(f, 50), np.bincount(f.ravel(), minlength=50))
    figures = rng.random(400)
    np.testing.assert_array_equal(values_left(figures.copy(), at), figures[~at])
    kept = f[~at]
    np.testing.assert_array_equal(rows_left(f, at, out=f), kept)


@pytest.mark.parametrize("vertices", [3, 8, 40, 2000])
def test_borders_are_as_many_as_the_neighbours_say(vertices: int) -> None:
    rng = np.random.default_rng(vertices)
    ball = trimesh.creation.icosphere(subdivisions=3).faces.astype(np.int32)
    # Facets at random share edges three and more times, run them both ways, and name a vertex twice.
    wild = rng.integers(0, vertices, (300, 3)).astype(np.int32)
    for f, n in ((wild, vertices), (ball, 642), (ball[rng.random(len(ball)) < 0.9], 642), (ball[:0], 642)):
        assert border_edges(f, n) == np.count_nonzero(facet_neighbours(f, n) == -1)


def test_corners_by_label_are_those_of_the_facets_that_carry_it() -> None:
    """By numpy's unique, label by label; one label has no facet."""
    v, f = _sample("torus")
    labels = np.random.default_rng(4).integers(-1, 6, len(f)).astype(np.int32)
    labels[labels == 2] = -1
    found = corners_by_label(f, labels, len(v), 6)
    assert [part.tolist() for part in found] == [np.unique(f[labels == k]).tolist() for k in range(6)]
