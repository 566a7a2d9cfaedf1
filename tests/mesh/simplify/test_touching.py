"""Sheets that touch, as a file without shared vertices has them: edges of more than two facets by trimesh."""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.mesh.simplify import least_height, move_apart


def edge_counts(v, f):
    """How many facets each edge has once it is read from single precision, a vertex a place."""
    single = v.astype(np.float32)
    read = trimesh.Trimesh(single[f].reshape(-1, 3), np.arange(3 * len(f)).reshape(-1, 3), process=True, validate=False)
    return np.unique(np.sort(read.edges, axis=1), axis=0, return_counts=True)[1]


def test_two_boxes_that_touch_in_an_edge_stay_two():
    boxes = [trimesh.creation.box((40.0, 40.0, 40.0)), trimesh.creation.box((40.0, 40.0, 40.0))]
    boxes[1].apply_translation((40.0, 40.0, 0.0))
    v = np.concatenate([b.vertices for b in boxes])
    f = np.concatenate([boxes[0].faces, boxes[1].faces + 8]).astype(np.int32)
    assert sorted(set(edge_counts(v, f))) == [2, 4]
    least = least_height(v)
    moved, which = move_apart(v, f, least)
    assert set(edge_counts(moved, f)) == {2}
    assert which.sum() == 4
    assert np.linalg.norm(moved - v, axis=1).max() <= 1.001 * least < 1e-3
    # Into their own boxes.
    assert abs(trimesh.Trimesh(moved, f).volume) < 2 * 40.0**3


def test_neighbours_along_an_edge_stay_where_they_are():
    v = np.array([[0.0, 0, 0], [1e-5, 0, 0], [1, 1, 0], [1, -1, 0]])
    moved, which = move_apart(v, np.array([[0, 1, 2], [1, 0, 3]], np.int32), 1e-4)
    assert not which.any()
    assert np.array_equal(moved, v)
