"""Features that touch themselves in a vertex: on a plate of squares, two squares of a feature that share a corner.

Covers: pipeline.features.solid.sharpening
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.solid.model import _given_up
from pipeline.features.solid.pinches import without_pinched_rims, without_pinches
from pipeline.features.solid.sharpening import Bound, bound, left_to_skin
from pipeline.mesh.topology import facet_neighbours
from pipeline.surfaces import Shape

SIDE = 6
TOP = Shape("plane", np.zeros(3), np.array([0.0, 0.0, 1.0]))


def plate(mine: np.ndarray) -> Bound:
    """Two facets a square; `mine` (side, side) tells the squares of the feature, the others bulge a little."""
    points = np.array([[x, y, 0.0] for x in range(SIDE + 1) for y in range(SIDE + 1)])
    a = (np.arange(SIDE)[:, None] * (SIDE + 1) + np.arange(SIDE)).ravel()
    faces = np.concatenate([np.stack([a, a + SIDE + 1, a + SIDE + 2], 1), np.stack([a, a + SIDE + 2, a + 1], 1)])
    labels = np.tile(np.where(mine.ravel(), 0, -1), 2).astype(np.int32)
    skin = np.setdiff1d(np.arange(len(points)), faces[labels == 0])
    points[skin, 2] = 0.4
    return bound(points, faces.astype(np.int32), labels, np.zeros(len(faces), np.uint8), (TOP,), 0.1)


def corner_to_corner() -> Bound:
    mine = np.zeros((SIDE, SIDE), bool)
    mine[1:3, 1:3] = mine[3:5, 3:5] = True
    return plate(mine)


def pinched(mesh: Bound) -> int:
    """Vertices through which a feature's border comes more than once, told from directed border edges."""
    neighbours = facet_neighbours(mesh.faces, len(mesh.points))
    border = ((neighbours < 0) | (mesh.labels[neighbours] != mesh.labels[:, None])) & (mesh.labels >= 0)[:, None]
    i, k = np.nonzero(border)
    return int((np.bincount(mesh.faces[i, k]) > 1).sum())


def test_the_plate_is_pinched_once() -> None:
    assert pinched(corner_to_corner()) == 1
    assert pinched(plate(np.ones((SIDE, SIDE), bool))) == 0


@pytest.mark.parametrize("way", ["bridged or cut", "given up"])
def test_a_pinch_is_undone_and_the_feature_stays(way: str) -> None:
    mesh = corner_to_corner()
    undone, found = without_pinches(mesh, (TOP,)) if way == "bridged or cut" else without_pinched_rims(mesh, {})
    assert found == 1
    assert pinched(undone) == 0
    assert (undone.labels == 0).any()
    on = np.unique(undone.faces[undone.labels == 0])
    assert np.abs(undone.points[on, 2]).max() < 1e-12


def test_where_it_pinches_again_more_goes_each_time() -> None:
    """A vertex that is put back onto its feature would pinch for ever."""
    rings: dict[int, int] = {}
    left = []
    for _ in range(4):
        undone, found = without_pinched_rims(corner_to_corner(), rings)
        assert found == 1
        left.append(int((undone.labels == 0).sum()))
    assert left[0] > left[1] >= left[2] >= left[3] == 0


def test_of_a_rim_that_is_given_up_again_more_goes_until_all_of_it_does() -> None:
    """A corner of the plate, whose every facet is the feature's: rings of squares round it, then the feature, told."""
    whole = plate(np.ones((SIDE, SIDE), bool))
    patience: dict[int, int] = {}
    fallen: dict[int, str] = {}
    corner = np.array([[0, 1]], np.int32)
    left = [int((_given_up(whole, 0, corner, patience, fallen).labels == 0).sum()) for _ in range(3)]
    assert 2 * SIDE**2 > left[0] > left[1] > left[2] > 0
    assert not fallen
    assert (_given_up(whole, 0, corner, patience, fallen).labels < 0).all()
    assert list(fallen) == [0]


def test_what_is_left_to_skin_lies_on_the_feature_no_more() -> None:
    mesh = corner_to_corner()
    one = (mesh.labels == 0) & (mesh.points[mesh.faces].mean(axis=1)[:, 0] < 3)
    left = left_to_skin(mesh, 0, one)
    assert not (left.labels[one] == 0).any()
    # The shared corner stays on the feature by the other square.
    assert left.carries(0).sum() == 9
    assert mesh.carries(0).sum() == 17
