"""Whatever comes in, an oriented 2-manifold comes out, and it is told what went."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.mesh.repair.manifold import neighbours_left, split_nonmanifold, split_singular_vertices
from pipeline.mesh.repair.orientation import inconsistent_edges, inconsistent_facets, reversed_facets
from pipeline.mesh.topology.adjacency import facet_neighbours, vertex_facets
from pipeline.mesh.topology.components import components
from pipeline.mesh.topology.defects import degenerate_facets, duplicate_facets, edge_report
from pipeline.mesh.topology.measures import facet_areas


def is_manifold(f: np.ndarray, n: int) -> bool:
    """Independent of the code under test: every edge twice at most, in opposite directions; one fan a vertex."""
    half = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    if len(np.unique(half, axis=0)) != len(half):
        return False
    indptr, facets = vertex_facets(f, n)
    for p in np.unique(f):
        around = f[facets[indptr[p] : indptr[p + 1]]]
        # Each facet is an arrow from its next corner to the one after; one fan is one path or one cycle.
        arrows = {}
        for facet in around:
            k = list(facet).index(p)
            arrows[facet[(k + 1) % 3]] = facet[(k + 2) % 3]
        starts = set(arrows) - set(arrows.values())
        if len(starts) > 1:
            return False
        at = first = next(iter(starts or arrows))
        steps = 0
        while at in arrows and (steps == 0 or at != first):
            at = arrows[at]
            steps += 1
        if steps != len(around):
            return False
    return True


def _mend(v: np.ndarray, f: np.ndarray):
    near = facet_neighbours(f, len(v))
    f, near = reversed_facets(f, near, inconsistent_facets(f, near, facet_areas(v, f)))
    return f, split_nonmanifold(v, f, near)


def _ball(subdivisions: int = 2) -> tuple[np.ndarray, np.ndarray]:
    mesh = trimesh.creation.icosphere(subdivisions)
    return mesh.vertices.astype(float), mesh.faces.astype(np.int32)


def test_a_good_mesh_is_left_alone() -> None:
    v, f = _ball()
    turned, parted = _mend(v, f)
    np.testing.assert_array_equal(turned, f)
    np.testing.assert_array_equal(parted.faces, f)
    assert (parted.edges, parted.vertices_split, len(parted.kept)) == (0, 0, len(f))


def test_only_the_vertices_asked_for_are_split() -> None:
    v, f = _ball()
    top, low = int(np.argmax(v[:, 2])), int(np.argmin(v[:, 2]))
    # Three balls on one string: they meet in two vertices, and one of these is to be split.
    both = np.vstack([f, f + len(v), f + 2 * len(v)]).astype(np.int32)
    both[both == low + len(v)] = top
    both[both == low + 2 * len(v)] = top + len(v)
    faces, copies = split_singular_vertices(both, 3 * len(v), np.array([top], np.int32))
    assert copies.tolist() == [top]
    assert not is_manifold(faces, 3 * len(v) + 1)
    faces, copies = split_singular_vertices(both, 3 * len(v), np.array([top, top + len(v)], np.int32))
    assert copies.tolist() == [top, top + len(v)]
    assert is_manifold(faces, 3 * len(v) + 2)
    np.testing.assert_array_equal(np.append(np.arange(3 * len(v)), copies)[faces], both)


def test_two_balls_in_one_vertex_are_parted() -> None:
    v, f = _ball()
    top = int(np.argmax(v[:, 2]))
    # The second ball hangs upside down on the first one's top vertex.
    w = v * [1, -1, -1] + [0, 0, 2 * v[top, 2]]
    both = np.vstack([f, f + len(v)])
    low = int(np.argmin(w[:, 2])) + len(v)
    both[both == low] = top
    _, parted = _mend(np.vstack([v, w]), both.astype(np.int32))
    assert parted.vertices_split == 1
    assert len(parted.kept) == len(both)
    assert is_manifold(parted.faces, len(parted.vertices))


def test_boxes_that_share_an_edge_are_parted() -> None:
    a = trimesh.creation.box((10, 10, 10))
    b = trimesh.creation.box((10, 10, 10), transform=trimesh.transformations.translation_matrix((10, 10, 0)))
    both = trimesh.util.concatenate([a, b])
    both.merge_vertices()
    f = both.faces.astype(np.int32)
    assert edge_report(f, len(both.vertices)).nonmanifold == 1
    _, parted = _mend(both.vertices.astype(float), f)
    assert parted.edges == 1
    assert len(parted.kept) == 24
    assert edge_report(parted.faces, len(parted.vertices)).border == 0
    assert is_manifold(parted.faces, len(parted.vertices))


def test_a_fin_on_an_edge_comes_off_and_the_ball_stays_closed() -> None:
    v, f = _ball()
    a, b = f[0, 0], f[0, 1]
    v = np.vstack([v, 1.1 * (v[a] + v[b]) / 2, 1.2 * (v[a] + v[b]) / 2])
    fin = [[a, b, len(v) - 2], [b, len(v) - 1, len(v) - 2]]
    _, parted = _mend(v, np.vstack([f, fin]).astype(np.int32))
    assert len(parted.kept) == len(f) + 2
    assert np.bincount(components(parted.neighbours)).tolist() == [len(f), 2]
    assert edge_report(parted.faces, len(parted.vertices)).border == 4


def test_of_two_holes_that_touch_the_slight_facets_between_them_go() -> None:
    v, f = _ball(3)
    indptr, facets = vertex_facets(f, len(v))
    around = facets[indptr[100] : indptr[101]]
    far = next(i for i in around if len(set(f[i]) & set(f[around[0]])) == 1)
    _, parted = _mend(v, np.delete(f, [around[0], far], axis=0))
    assert 1 <= len(f) - 2 - len(parted.kept) <= 2
    assert parted.vertices_split == 0
    assert is_manifold(parted.faces, len(parted.vertices))


def test_a_moebius_strip_is_cut() -> None:
    angle = np.arange(20) * np.pi / 10
    centre = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    lift = 0.2 * (centre * np.cos(angle / 2)[:, None] + [0, 0, 1] * np.sin(angle / 2)[:, None])
    v = np.concatenate([centre + lift, centre - lift])
    faces = []
    for k in range(20):
        a, b, c, d = k, (k + 1) % 20, k + 20, (k + 1) % 20 + 20
        if k == 19:
            b, d = d, b
        faces += [[a, c, b], [b, c, d]]
    f = np.array(faces, dtype=np.int32)
    turned, parted = _mend(v, f)
    assert inconsistent_edges(turned, facet_neighbours(turned, len(v))) > 0
    assert is_manifold(parted.faces, len(parted.vertices))
    assert len(parted.kept) == 40


def test_mixed_winding_follows_the_larger_part() -> None:
    v, f = _ball(3)
    spoiled = f.copy()
    some = np.random.default_rng(3).random(len(f)) < 0.3
    spoiled[some] = spoiled[some][:, ::-1]
    near = facet_neighbours(spoiled, len(v))
    wrong = inconsistent_facets(spoiled, near, facet_areas(v, spoiled))
    np.testing.assert_array_equal(wrong, some)
    mended, near = reversed_facets(spoiled, near, wrong)
    np.testing.assert_array_equal(near, facet_neighbours(mended, len(v)))
    assert trimesh.Trimesh(v, mended, process=False).volume == pytest.approx(
        trimesh.Trimesh(v, f, process=False).volume
    )


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0, 0.4), st.integers(0, 40), st.floats(0, 0.5))
def test_spoiled_meshes_become_manifold(seed: int, deleted: float, extra: int, turned: float) -> None:
    rng = np.random.default_rng(seed)
    v, f = _ball(rng.integers(0, 3))
    f = f[rng.random(len(f)) >= deleted]
    some = rng.random(len(f)) < turned
    f[some] = f[some][:, ::-1]
    # Facets between any three vertices: flaps, fins, bridges, doubles.
    f = np.vstack([f, rng.integers(0, len(v), (extra, 3))]).astype(np.int32)
    f = f[~degenerate_facets(f)]
    f = f[~duplicate_facets(f, len(v))]
    if len(f) == 0:
        return
    before, parted = _mend(v, f)
    assert is_manifold(parted.faces, len(parted.vertices))
    np.testing.assert_array_equal(v[before[parted.kept]], parted.vertices[parted.faces])
    np.testing.assert_array_equal(parted.neighbours, facet_neighbours(parted.faces, len(parted.vertices)))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0, 0.4), st.integers(0, 40), st.floats(0, 0.9))
def test_neighbours_of_what_is_left_are_those_found_anew(seed: int, turned: float, extra: int, gone: float) -> None:
    rng = np.random.default_rng(seed)
    v, f = _ball(rng.integers(0, 3))
    some = rng.random(len(f)) < turned
    f[some] = f[some][:, ::-1]
    f = np.vstack([f, rng.integers(0, len(v), (extra, 3)), f[:extra]]).astype(np.int32)
    f = f[~degenerate_facets(f)]
    out = rng.random(len(f)) < gone
    found = neighbours_left(f, facet_neighbours(f, len(v)), out)
    np.testing.assert_array_equal(found, facet_neighbours(f[~out], len(v)))


def test_neighbours_of_what_is_left_where_each_facet_was_there_twice() -> None:
    v, f = _ball()
    twice = np.vstack([f, f])
    again = np.arange(len(twice)) >= len(f)
    np.testing.assert_array_equal(
        neighbours_left(twice, facet_neighbours(twice, len(v)), again), facet_neighbours(f, len(v))
    )
