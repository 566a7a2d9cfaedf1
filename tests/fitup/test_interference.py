"""What parts that cross have in common: closed forms of lenses, caps and boxes, and shifts that free them.

Covers: pipeline.fitup.interference
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from pipeline.fitup import Placed, clearance
from pipeline.geometry import rigid
from pipeline.mesh.query import nearest_facets
from tests.fitup.test_clearance import at, body

CUBE = body("cube", trimesh.creation.box((20.0, 20.0, 20.0)))


def _free(one: Placed, other: Placed, shift: np.ndarray) -> float:
    near = nearest_facets(other.tree, one.tree, motion=rigid(np.eye(3), shift))
    assert near is not None
    return near.distance


def test_boxes_that_overlap_by_two_mm() -> None:
    """18 by 16 by 2 mm in common; the short way out is along x."""
    one, other = at(CUBE), at(CUBE, 18.0, 2.0, 4.0)
    found = clearance(one, other).overlap
    assert found is not None
    assert found.volume == pytest.approx(2.0 * 18.0 * 16.0, rel=1e-12)
    assert found.middle == pytest.approx([9.0, 1.0, 2.0])
    assert found.shift == pytest.approx([2.0, 0.0, 0.0], abs=2e-5)
    assert _free(one, other, found.shift) > 0.0


def test_balls_that_cross() -> None:
    """The lens of two balls, pi (R + r - d)2 (d2 + 2 d r - 3 r2 + 2 d R + 6 r R - 3 R2) / 12 d (mathworld,
    Sphere-Sphere Intersection), within the facets' own share; free after R + r - d along the line of their middles."""
    big, small = body("big", trimesh.creation.icosphere(4, 10.0)), body("small", trimesh.creation.icosphere(4, 6.0))
    way = np.array([2.0, 1.0, 2.0]) / 3.0
    one, other = at(big), at(small, *(13.0 * way))
    found = clearance(one, other).overlap
    d, r, s = 13.0, 10.0, 6.0
    lens = np.pi * (r + s - d) ** 2 * (d**2 + 2 * d * s - 3 * s**2 + 2 * d * r + 6 * s * r - 3 * r**2) / (12 * d)
    assert found is not None
    assert found.volume == pytest.approx(lens, rel=0.02)
    assert found.volume is not None
    assert found.volume < lens
    assert found.shift is not None
    size = float(np.linalg.norm(found.shift))
    assert 3.0 - 0.04 < size <= 3.0 + 1e-5
    assert _free(one, other, found.shift) > 0.0


def test_a_part_wholly_inside_another_comes_out() -> None:
    """A ball of 5 in the middle of a cube of 20: 15 mm along any axis, and its whole volume in common."""
    ball = body("ball", trimesh.creation.icosphere(2, 5.0))
    found = clearance(at(CUBE), at(ball, 1.0, 0.0, 0.0))
    assert found.verdict == "hits"
    assert found.overlap is not None
    assert found.overlap.volume == pytest.approx(trimesh.creation.icosphere(2, 5.0).volume)
    assert found.overlap.shift is not None
    assert 14.0 - 0.2 < float(np.linalg.norm(found.overlap.shift)) <= 14.0 + 1e-5


def test_an_open_part_has_no_volume_but_a_shift() -> None:
    plate = trimesh.creation.box((30.0, 30.0, 2.0))
    lid = replace(body("lid", trimesh.Trimesh(plate.vertices, plate.faces[:-1], process=False)), closed=False)
    found = clearance(at(CUBE), at(lid, 0.0, 0.0, 10.5)).overlap
    assert found is not None
    assert (found.volume, found.middle) == (None, None)
    assert found.shift == pytest.approx([0.0, 0.0, 0.5], abs=2e-5)


def test_parts_that_keep_apart_have_nothing_in_common() -> None:
    assert clearance(at(CUBE), at(CUBE, 21.0)).overlap is None
