"""Whole turns cut open, and what no straight cut can open: a bore whose border folds back round its axis.

Volumes and areas of blocks and cylinders: any formulary.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.solid import model_of
from pipeline.features.solid.regions import _regions
from pipeline.features.solid.sharpening import Bound
from pipeline.formats.solid.build import built
from pipeline.formats.solid.checks import checked
from pipeline.progress import silent
from pipeline.surfaces import Shape
from pipeline.values import Surface
from tests.pierced_block import HEIGHT, SHAPES, pierced_block

RADIUS, AROUND, RINGS, PITCH, BEAD = 20.0, 60, 24, 2.0, 2.0


def barrel_with_a_spiral() -> tuple[Surface, np.ndarray, tuple[Shape, ...]]:
    """A closed drum with a bead that winds once and a half round its wall, so that no line along it misses the bead."""
    turn = np.arange(AROUND) * 2 * np.pi / AROUND
    height = np.arange(RINGS + 1) * PITCH
    column, row = np.meshgrid(np.arange(AROUND), np.arange(RINGS + 1))
    begins = [3 + 8 * (column / AROUND + winding) for winding in (0, 1)]
    last = [AROUND, AROUND // 2]
    crest = np.any([(row - n >= 1) & (row - n <= 3) & (column < e) for n, e in zip(begins, last, strict=True)], axis=0)
    radius = np.where(crest, RADIUS + BEAD, RADIUS)
    wall = np.stack([radius * np.cos(turn), radius * np.sin(turn), np.repeat(height, AROUND).reshape(radius.shape)], 2)
    wall = wall.reshape(-1, 3)
    points = np.concatenate([wall, [[0.0, 0.0, 0.0], [0.0, 0.0, height[-1]]]])
    a = np.arange(AROUND)
    b = (a + 1) % AROUND
    faces = []
    for ring in range(RINGS):
        p, q = ring * AROUND, (ring + 1) * AROUND
        faces.append(np.concatenate([np.stack([p + a, p + b, q + b], 1), np.stack([p + a, q + b, q + a], 1)]))
    raised = crest.ravel()[np.concatenate(faces)].any(axis=1)
    labels = [np.where(raised, -1, 0)]
    faces.append(np.stack([b, a, np.full(AROUND, len(wall))], 1))
    labels.append(np.full(AROUND, 1))
    top = RINGS * AROUND
    faces.append(np.stack([top + a, top + b, np.full(AROUND, len(wall) + 1)], 1))
    labels.append(np.full(AROUND, 2))
    shapes = (
        Shape("cylinder", np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0]), RADIUS),
        Shape("plane", np.zeros(3), np.array([0.0, 0.0, -1.0])),
        Shape("plane", np.array([0.0, 0.0, height[-1]]), np.array([0.0, 0.0, 1.0])),
    )
    return Surface.measured(points, np.concatenate(faces)), np.concatenate(labels).astype(np.int32), shapes


def test_a_wall_that_no_straight_line_opens_is_made_in_pieces() -> None:
    surface, labels, shapes = barrel_with_a_spiral()
    model = model_of(surface, labels, shapes, 0.2, 0.0, silent)
    walls = np.flatnonzero(model.outline.faces.feature == 0)
    assert len(walls) > 1
    assert not model.fallen
    body = built(model.outline, model.closed)
    told = checked(body.shape, body.faces)
    assert told.valid
    assert told.free_edges == 0
    # More than the drum without its bead, and less than if the bead were everywhere.
    assert np.pi * RADIUS**2 * RINGS * PITCH < told.volume < np.pi * (RADIUS + BEAD) ** 2 * RINGS * PITCH


def test_a_whole_turn_has_one_seam() -> None:
    surface, labels = pierced_block()
    outline = model_of(surface, labels, SHAPES, 0.2, 0.0, silent).outline
    bore = int(np.flatnonzero(outline.faces.feature == 2)[0])
    assert list(outline.seams) == [bore]
    seam = outline.edges[outline.seams[bore]]
    ends = outline.faces.mesh.points[[seam.start, seam.end]]
    assert np.abs(ends[0] - ends[1]).max() == np.abs(ends[0, 2] - ends[1, 2]) == HEIGHT


@pytest.mark.parametrize(("degrees", "faces"), [(80.0, 1), (100.0, 4)])
def test_facets_that_lie_over_each_other_in_one_plane_are_no_face(degrees: float, faces: int) -> None:
    """Four facets round a vertex, all facing up: 320 degrees of it are a polygon, with 400 the last lies on the first,
    and the border crosses itself."""
    angles = np.radians(degrees) * np.arange(5)
    points = np.concatenate([np.zeros((1, 3)), np.stack([np.cos(angles), np.sin(angles), 0.0 * angles], axis=1)])
    fan = np.array([[0, k, k + 1] for k in range(1, 5)], np.int32)
    carriers = np.full((6, 3), -1, np.int16)
    mesh = Bound(points, fan, np.full(4, -1, np.int32), np.zeros(4, np.uint8), carriers, np.ones(0))
    region, count = _regions(mesh)
    assert count == len(np.unique(region)) == faces
