"""Facets turned over and vertices thrown out, on a ball where nothing else is amiss.

Covers: pipeline.mesh.repair.fold_overs, pipeline.mesh.repair.spikes
"""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.mesh.repair.fold_overs import creased_facets, fold_overs, folded_facets, unfold
from pipeline.mesh.repair.spikes import spikes
from pipeline.mesh.topology.adjacency import facet_neighbours
from tests.mesh.lattice import lattice


def _ball() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=30.0)
    faces = np.asarray(mesh.faces, np.int32)
    return np.array(mesh.vertices), faces, facet_neighbours(faces, len(mesh.vertices))


def test_a_ball_has_none() -> None:
    vertices, faces, neighbours = _ball()
    assert not fold_overs(vertices, faces, neighbours).any()
    assert not creased_facets(vertices, faces, neighbours).any()
    assert not folded_facets(vertices, faces, neighbours).any()


def test_the_facet_that_looks_inwards_is_the_fold_over() -> None:
    vertices, faces, neighbours = _ball()
    faces[100] = faces[100, ::-1]
    only = np.arange(len(faces)) == 100
    neighbours = facet_neighbours(faces, len(vertices))
    np.testing.assert_array_equal(fold_overs(vertices, faces, neighbours), only)
    np.testing.assert_array_equal(folded_facets(vertices, faces), only)
    assert creased_facets(vertices, faces, neighbours)[100]


def test_a_corner_that_slipped_over_the_side_is_unfolded() -> None:
    vertices, faces = lattice(9)
    middle = 4 * 9 + 4
    facet = next(f for f in faces if middle in f)
    others = vertices[[v for v in facet if v != middle]].mean(axis=0)
    vertices[middle] += 1.1 * (others - vertices[middle])
    assert folded_facets(vertices, faces).sum() == 1
    before = facet_neighbours(faces, len(vertices)) < 0
    unfold(vertices, faces, np.zeros(len(faces), np.int16))
    assert not folded_facets(vertices, faces).any()
    assert (facet_neighbours(faces, len(vertices)) < 0).sum() == before.sum()


def test_a_facet_of_another_kind_is_not_turned() -> None:
    vertices, faces = lattice(9)
    facet = next(f for f in faces if 40 in f)
    vertices[40] += 1.1 * (vertices[[v for v in facet if v != 40]].mean(axis=0) - vertices[40])
    was = faces.copy()
    unfold(vertices, faces, np.arange(len(faces)).astype(np.int16))
    np.testing.assert_array_equal(faces, was)


def test_a_vertex_far_over_its_ring_is_a_spike() -> None:
    vertices, faces, _ = _ball()
    assert not spikes(vertices, faces, 0.1).any()
    vertices[200] *= 1.8
    np.testing.assert_array_equal(spikes(vertices, faces, 0.1), (faces == 200).any(axis=1))
    # It stands out by 0.8 of the radius, 24 mm.
    assert not spikes(vertices, faces, 26.0).any()


def test_a_bump_as_wide_as_high_is_none() -> None:
    vertices, faces, _ = _ball()
    ring = np.unique(faces[(faces == 200).any(axis=1)])
    wide = np.linalg.norm(vertices[ring] - vertices[200], axis=1).max()
    vertices[200] *= 1.0 + wide / 30.0
    assert not spikes(vertices, faces, 0.1).any()
