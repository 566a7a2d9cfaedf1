"""Openings closed by what was never seen. Volumes of blocks and cylinders: any formulary."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.solid.caps import NEVER_SEEN, _taken_back, capped
from pipeline.features.solid.model import volume_of
from pipeline.mesh.query import self_intersections
from pipeline.mesh.topology import facet_areas, facet_neighbours
from pipeline.values import Surface
from tests.pierced_block import HEIGHT, LENGTH, RADIUS, SHAPES, WIDTH, pierced_block

AROUND, RINGS, DEPTH = 48, 4, 12.0


def is_closed(surface: Surface) -> bool:
    return bool((facet_neighbours(surface.faces, len(surface.vertices)) >= 0).all())


def test_a_wall_with_a_ragged_end_is_carried_on_from_farther_back() -> None:
    """One vertex of its rim reaches over its neighbours, so that facets set on the rim would cross the wall."""
    surface, labels = pierced_block(DEPTH, AROUND, RINGS)
    vertices = surface.vertices.copy()
    rim = (RINGS + 1) * AROUND
    vertices[rim, :2] = vertices[rim + 5, :2]
    vertices[rim, 2] += 1.0
    ragged = Surface(vertices, surface.faces, surface.origin)
    made = capped(ragged, labels, SHAPES)
    assert (made.ends, made.lids, made.left) == (1, 0, ())
    assert is_closed(made.surface)
    invented = np.flatnonzero(made.surface.origin == NEVER_SEEN)
    assert not len(self_intersections(made.surface.vertices, made.surface.faces, invented))
    # As deep as the rim was, and 0.3 of an edge more, of the rim that is left or of the ragged one, which is longer.
    section = AROUND / 2 * RADIUS**2 * np.sin(2 * np.pi / AROUND)
    depth = (LENGTH * WIDTH * HEIGHT - volume_of(made.surface.vertices, made.surface.faces)) / section
    edge = 2 * RADIUS * np.sin(np.pi / AROUND)
    assert DEPTH < depth < DEPTH + 1.5 * 0.3 * edge
    # From a rim that is one ring farther back.
    assert made.carried == pytest.approx(DEPTH / RINGS + depth - DEPTH, abs=0.01)


def test_an_opening_round_three_sides_gets_a_bent_lid() -> None:
    """Of a box three sides that hang together are missing; from no side its rim is seen without overlap."""
    corners = np.array([[x, y, z] for x in (0, 4) for y in (0, 3) for z in (0, 2)], float)
    floor, left, right = [[0, 2, 6], [0, 6, 4]], [[0, 1, 3], [0, 3, 2]], [[4, 6, 7], [4, 7, 5]]
    shell = Surface.measured(corners, np.array([*floor, *left, *right], np.int32))
    made = capped(shell, np.full(6, -1, np.int32), ())
    assert (made.ends, made.lids, made.left) == (0, 1, ())
    assert is_closed(made.surface)
    assert not len(self_intersections(made.surface.vertices, made.surface.faces, np.arange(made.surface.facets)))
    assert volume_of(made.surface.vertices, made.surface.faces) == pytest.approx(4 * 3 * 2, rel=0.35)
    invented = made.surface.faces[made.surface.origin == NEVER_SEEN]
    assert facet_areas(made.surface.vertices, invented).sum() == pytest.approx(4 * 3 + 2 * 4 * 2, rel=0.35)


def test_facets_round_an_opening_are_taken_back_ring_by_ring() -> None:
    """Of a sheet of halved squares, 1 mm each, one is open: then 3 x 3 are, then 5 x 5, but for the halves at two
    corners that touch nothing of what is open: triangles with sides of 1 and 2 mm."""
    n = 9
    grid = np.array([[x, y, 0.0] for x in range(n) for y in range(n)])
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.concatenate([np.stack([a, a + n, a + n + 1], axis=1), np.stack([a, a + n + 1, a + 1], axis=1)])
    open_ = 3 * n + 3
    sheet = Surface.measured(grid, faces[np.tile(a, 2) != open_].astype(np.int32))
    labels = np.full(sheet.facets, -1, np.int32)
    loop = np.array([open_, open_ + 1, open_ + n + 1, open_ + n], np.int32)
    found = list(_taken_back(sheet, labels, loop, None))
    assert [len(rim) for _, _, rim in found] == [10, 16]
    sizes = [facet_areas(grid, surface.faces).sum() for surface, _, _ in found]
    assert sizes == pytest.approx([64 - (9 - 1), 64 - (25 - 4)])
    assert [len(known) for _, known, _ in found] == [surface.facets for surface, _, _ in found]
