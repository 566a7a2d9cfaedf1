"""What was seen of a fitted face, against the measures of meshes that trimesh draws; and what is refused for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from pipeline.features.segmentation import extraction, search
from pipeline.lengths import in_unit
from pipeline.surfaces import KINDS, PACKED, Shape
from pipeline.surfaces.shape import pack
from pipeline.values import Extent
from pipeline.values.surface import Surface
from tests.features.faces import grid, revolved

Z = np.array([0.0, 0.0, 1.0])


def around(degrees, gap_from=None, gap_to=None):
    """Points a degree apart on a circle about z, some left out."""
    angle = np.arange(0.0, degrees + 1e-9)
    if gap_from is not None:
        angle = angle[(angle <= gap_from) | (angle >= gap_to)]
    angle = np.radians(angle)
    return np.column_stack([5.0 * np.cos(angle), 5.0 * np.sin(angle), 0.1 * angle])


@pytest.mark.parametrize(
    ("points", "arc"),
    [(around(90), 90.0), (around(359), 360.0), (around(200, 50, 80), 170.0), (around(200, 50, 53), 200.0)],
)
def test_the_arc_that_points_cover(points, arc):
    assert np.degrees(extraction.arc_of(points, Z, np.radians(4.0))) == pytest.approx(arc, abs=1e-9)


@pytest.mark.parametrize(("sign", "side"), [(1.0, "boss"), (-1.0, "bore")])
def test_a_face_of_a_drawn_tube(sign, side):
    mesh = trimesh.creation.annulus(r_min=10.0, r_max=20.0, height=8.0, sections=64)
    radius = 20.0 if sign > 0 else 10.0
    wall = np.abs(mesh.face_normals[:, 2]) < 0.5
    far = np.linalg.norm(mesh.triangles_center[:, :2], axis=1) > 15.0
    facets = np.flatnonzero(wall & (far if sign > 0 else ~far))
    surface = Surface.measured(np.asarray(mesh.vertices), mesh.faces.astype(np.int32))
    start = pack(Shape("cylinder", np.zeros(3), Z, radius + 0.1))
    piece = extraction.piece_of_facets(surface, "cylinder", start, sign, facets)
    assert piece.side == side
    assert piece.shape.radius == pytest.approx(radius, abs=1e-6)
    assert piece.extent.area == pytest.approx(mesh.area_faces[facets].sum())
    assert piece.extent.length == pytest.approx(8.0, abs=1e-6)
    assert np.degrees(piece.extent.arc) == pytest.approx(360.0)
    assert piece.extent.facets == len(facets)
    # As broad as it is long, since it goes round; its chords are a little shorter than the circle.
    assert extraction.breadth(piece) == pytest.approx(8.0, rel=2e-3)


def test_which_way_an_axis_points():
    up, down = Shape("cylinder", np.zeros(3), Z, 5.0), Shape("cylinder", np.zeros(3), -Z, 5.0)
    assert extraction.turned(up, 1.0).direction.tolist() == extraction.turned(down, 1.0).direction.tolist()
    plane = Shape("plane", np.zeros(3), Z)
    assert extraction.turned(plane, -1.0).direction.tolist() == [0.0, 0.0, -1.0]
    cone = Shape("cone", np.zeros(3), -Z, 5.0, half_angle=0.3)  # its axis points to where it grows
    assert extraction.turned(cone, 1.0) is cone
    assert extraction.side_of(plane, 1.0) is None


def settled(vertices, faces, kind, packed, sign, members=None):
    ground = search.prepare(Surface.measured(vertices, faces), 0.01)
    members = np.arange(len(vertices), dtype=np.int32) if members is None else members
    region = search.region_of(ground, KINDS[kind].code, packed, sign, members, members, 0.0)
    return ground, extraction.settled(ground, region)


def tube(heights, around, radius=20.0, arc=360.0):
    rng = np.random.default_rng(1)
    vertices, faces = revolved(lambda angle, z: radius + rng.normal(0, 0.01, z.shape), heights, around)
    angle = np.degrees(np.arctan2(vertices[:, 1], vertices[:, 0])) % 360.0
    packed = pack(Shape("cylinder", np.zeros(3), Z, radius))
    return vertices, faces, packed, np.flatnonzero(angle <= arc + 1e-6).astype(np.int32)


def test_enough_was_seen_of_half_a_journal():
    vertices, faces, packed, members = tube(np.arange(30) * 0.5, 250, arc=180.0)
    ground, piece = settled(vertices, faces, "cylinder", packed, 1.0, members)
    assert piece.shape.radius == pytest.approx(20.0, abs=0.005)
    assert np.degrees(piece.extent.arc) == pytest.approx(180.0, abs=1.5)
    assert piece.extent.length == pytest.approx(14.5, abs=0.01)
    assert extraction.too_little(ground, piece, piece.extent.area) is None
    # The vertices of a net have few facets with all three corners in it.
    assert extraction.too_little(ground, piece, 0.2 * piece.extent.area).startswith("scattered")


@pytest.mark.parametrize(
    ("heights", "arc", "reason"),
    [(np.arange(30) * 0.5, 30.0, "degrees of arc"), (np.arange(2) * 0.5, 360.0, "a ring 0.5 mm wide")],
)
def test_too_little_of_a_cylinder(heights, arc, reason):
    vertices, faces, packed, members = tube(heights, 250, arc=arc)
    ground, piece = settled(vertices, faces, "cylinder", packed, 1.0, members)
    assert reason in in_unit(extraction.too_little(ground, piece, piece.extent.area), "mm")


def test_a_strip_of_a_plane_is_too_little():
    vertices, faces, _ = grid(40, 0.5, lambda x, y: 0.0 * x)
    packed = np.zeros(PACKED)
    packed[5], packed[6], packed[10], packed[14] = 1.0, 1.0, 1.0, 1.0
    strip = np.flatnonzero(vertices[:, 1] < 0.8).astype(np.int32)  # two rows
    ground, piece = settled(vertices, faces, "plane", packed, 1.0, strip)
    assert "mm wide, which is" in in_unit(extraction.too_little(ground, piece, piece.extent.area), "mm")
    ground, piece = settled(vertices, faces, "plane", packed, 1.0)
    assert extraction.too_little(ground, piece, piece.extent.area) is None


def test_a_bow_is_told_by_its_sagitta():
    vertices, faces, packed, members = tube(np.arange(30) * 0.5, 250, arc=180.0)
    _, piece = settled(vertices, faces, "cylinder", packed, 1.0, members)
    assert extraction.bow(piece) is None  # that one curves
    # A chord c of a circle of radius r rises by c^2 / 8 r, but for higher powers: 80 mm of 8 m by 100 um.
    flat = replace(piece, shape=replace(piece.shape, radius=8000.0), extent=Extent(1e3, 0, 10.0, 80.0 / 8000.0))
    assert in_unit(extraction.bow(flat), "mm") == f"form: bowed by {1e3 * 80.0**2 / (8 * 8000.0):.0f} um over 80 mm"
