"""Openings closed by what was never seen. Volumes of blocks and cylinders: any formulary."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.solid.caps import NEVER_SEEN, capped
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
