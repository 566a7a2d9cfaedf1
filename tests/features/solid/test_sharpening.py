"""Edges that one row of facets bridges, made sharp where the faces beside it meet; lengths by construction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.solid.model import _moved_inwards
from pipeline.features.solid.sharpening import Bound, _split_unfolded, bound, with_sharp_rims
from pipeline.surfaces import Shape
from pipeline.values import Surface

TOP = Shape("plane", np.array([0.0, 0.0, 10.0]), np.array([0.0, 0.0, 1.0]))
HALF, LENGTH = 10.0, 20


def bar(cut: float, rows: int) -> Bound:
    """A bar of 20 mm square along y, its top a feature, the top's two long edges cut off by `cut` mm in some rows of
    facets; all other facets are skin of about 1 mm."""
    down = [(HALF, z) for z in np.arange(10.0 - cut, 0.0, -1.0)] + [(HALF, 0.0)]
    slope = [(HALF - cut * (1 - t), 10.0 - cut * t) for t in np.arange(rows) / rows]
    top = [(x, 10.0) for x in np.linspace(0.0, HALF - cut, 10)[1:-1]]
    right = [*top, *slope, *down]
    profile = np.array([(0.0, 10.0), *right, *[(-x, z) for x, z in right[::-1]]])
    around, rings = len(profile), LENGTH + 1
    points = np.stack([np.insert(profile, 1, float(y), axis=1) for y in range(rings)]).reshape(-1, 3)
    a, ring = np.meshgrid(np.arange(around), np.arange(LENGTH))
    p, q = (ring * around + a).ravel(), (ring * around + (a + 1) % around).ravel()
    faces = np.concatenate([np.stack([p, q, p + around], axis=1), np.stack([q, q + around, p + around], axis=1)])
    on_top = (points[faces][:, :, 2] == 10.0).all(axis=1)
    labels = np.where(on_top, 0, -1).astype(np.int32)
    return bound(points, faces.astype(np.int32), labels, np.zeros(len(faces), np.uint8), (TOP,), 1e-9)


@pytest.mark.parametrize("cut", [0.3, 0.6])
def test_an_edge_that_one_row_of_facets_bridges_is_where_face_and_skin_meet(cut: float) -> None:
    """Two cut-off triangles of cut^2 / 2 come back along the bar."""
    flat = bar(cut, 1)
    sharp = with_sharp_rims(flat, (TOP,))
    new = sharp.points[len(flat.points) :]
    assert len(new) >= 2 * LENGTH
    assert np.abs(new[:, 0]) == pytest.approx(HALF, abs=1e-9)
    assert new[:, 2] == pytest.approx(10.0, abs=1e-9)
    assert _inside(sharp) - _inside(flat) == pytest.approx(cut**2 * LENGTH, rel=1e-6)
    assert sharp.labels[(np.abs(sharp.points[sharp.faces][:, :, 2] - 10.0) < 1e-9).all(axis=1)].tolist().count(-1) == 0


def test_facets_longer_than_the_usual_depth_are_taken_for_a_sharp_edge_only_where_the_scan_has_no_finer_ones() -> None:
    """Cut off by 1.4 mm across a right angle: 1.4 / sqrt(2) = 0.99 mm deep."""
    flat = bar(1.4, 1)
    assert len(with_sharp_rims(flat, (TOP,)).points) == len(flat.points)
    sharp = with_sharp_rims(flat, (TOP,), 1.2)
    assert _inside(sharp) - _inside(flat) == pytest.approx(1.4**2 * LENGTH, rel=1e-6)


def test_a_hollow_edge_with_skin_is_left_as_a_radius_would_look() -> None:
    """The same bar turned inside out: its top's edges are hollow. 0.6 mm across is 0.42 mm deep, 0.4 mm is 0.28."""
    for cut, made in ((0.6, False), (0.4, True)):
        mesh = bar(cut, 1)
        hollow = replace(mesh, faces=mesh.faces[:, ::-1].copy(), outward=-mesh.outward)
        assert (len(with_sharp_rims(hollow, (TOP,), 1.2).points) > len(hollow.points)) == made


def test_a_chamfer_that_shows_in_several_rows_stays() -> None:
    wide = bar(1.5, 3)
    assert len(with_sharp_rims(wide, (TOP,)).points) == len(wide.points)


def test_a_vertex_between_two_rows_is_put_onto_the_edge_where_it_is_near() -> None:
    """The middle of a bevel of 0.6 mm lies 0.6 / sqrt(2) = 0.42 mm off the edge; inside out it is a hollow one, for
    which that is too deep, and 0.4 / sqrt(2) = 0.28 mm is not."""
    flat = bar(0.6, 2)
    sharp = with_sharp_rims(flat, (TOP,), blunt=0.45)
    assert len(sharp.points) == len(flat.points)
    assert _inside(sharp) - _inside(flat) == pytest.approx(0.6**2 * LENGTH, rel=1e-6)
    assert (with_sharp_rims(flat, (TOP,), blunt=0.4).points == flat.points).all()
    for cut, made in ((0.6, False), (0.4, True)):
        mesh = bar(cut, 2)
        hollow = replace(mesh, faces=mesh.faces[:, ::-1].copy(), outward=-mesh.outward)
        assert (with_sharp_rims(hollow, (TOP,), blunt=1.0).points != hollow.points).any() == made


def test_corners_of_skin_within_the_mesh_that_was_measured_are_told() -> None:
    """A bar's middle row of vertices pushed in by 0.3 mm on one side and out by 0.3 mm on the other."""
    flat = bar(0.6, 1)
    points = flat.points.copy()
    row = np.isclose(points[:, 1], LENGTH / 2) & (np.abs(points[:, 2] - 5.0) < 4.0)
    left, right = (row & np.isclose(points[:, 0], side * HALF) for side in (-1, 1))
    points[left | right, 0] += 0.3
    found = _moved_inwards(replace(flat, points=points), Surface(flat.points, flat.faces, flat.origin))
    assert left.any()
    assert found[left] == pytest.approx(0.3, abs=1e-9)
    assert found[~left] == pytest.approx(0.0, abs=1e-9)


def test_a_facet_that_a_new_corner_would_turn_over_is_left_as_it_is() -> None:
    """A strip of two facets; a corner set on its diagonal far to one side folds it, one within it does not."""
    points = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    faces = np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    carriers = np.full((4, 3), -1, np.int16)
    mesh = Bound(points, faces, np.full(2, -1, np.int32), np.zeros(2, np.uint8), carriers, np.ones(0))
    ends = np.array([[0, 2]], np.int32)
    for place, corners in (((0.5, 0.4, 0.3), 5), ((3.0, -2.0, 0.0), 4)):
        made = _split_unfolded(mesh, ends, np.array([place]), np.full((1, 3), -1, np.int16), np.ones(1, np.bool_))
        assert len(made.points) == corners


def _inside(mesh: Bound) -> float:
    """mm3 in the bar, whose ends are open: the pyramids from its middle to its sides are two thirds of a prism."""
    a, b, c = (mesh.points[mesh.faces[:, k]] - [0.0, LENGTH / 2, 5.0] for k in range(3))
    return 1.5 * float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)
