"""A solid with exact faces of a labelled mesh: volumes by formula, read again by the kernel and by a plain reader.

Covers: pipeline.features.solid.model, pipeline.features.solid.outline, pipeline.features.solid.charts
Covers: pipeline.features.solid.parameter_curves, pipeline.formats.solid.build, pipeline.formats.solid.checks
Covers: pipeline.formats.solid.document, pipeline.formats.solid.shapes
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Curve2d, BRepAdaptor_Surface
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS

from pipeline.features.solid import model_of
from pipeline.formats.datum_file import build
from pipeline.formats.solid import make_part
from pipeline.formats.solid.build import built
from pipeline.formats.solid.checks import checked
from pipeline.formats.solid.cuts import faces_of
from pipeline.formats.solid.document import Named, read_body, write_body
from pipeline.progress import silent
from pipeline.surfaces import Shape
from pipeline.values import Surface
from tests.outcomes import outcome, part_mesh
from tests.pierced_block import HEIGHT, LENGTH, RADIUS, SHAPES, WIDTH, pierced_block

BLOCK = LENGTH * WIDTH * HEIGHT


@pytest.fixture(scope="module")
def pierced():
    surface, labels = pierced_block()
    return model_of(surface, labels, SHAPES, 0.2, 0.0, silent)


def test_a_pierced_block_has_its_volume_by_formula(pierced) -> None:
    """l w h - pi r^2 h: any formulary. The mesh it was made from has a bore of 48 sides and is 29 mm3 off."""
    body = built(pierced.outline, pierced.closed)
    told = checked(body.shape, body.faces)
    assert told.valid
    assert told.free_edges == 0
    assert told.volume == pytest.approx(BLOCK - np.pi * RADIUS**2 * HEIGHT, rel=1e-9)
    assert told.tolerance < 1e-5


def test_each_face_of_the_block_is_one_face(pierced) -> None:
    assert sorted(pierced.outline.faces.feature.tolist()) == list(range(7))


def test_borders_of_bore_and_face_are_circles(pierced) -> None:
    kinds = [edge.curve.kind for edge in pierced.outline.edges if 2 in pierced.outline.faces.feature[list(edge.faces)]]
    assert sorted(kinds) == ["circle", "circle", "line"]  # the line is the seam


def test_what_was_held_at_edges_within_the_skin_is_told_where_there_is_tolerance_left() -> None:
    """The block, its faces as skin: right angles, which a scan of 0.3 mm may cut off by 0.3 (1.45 / 2 sin 45 degrees +
    (1 - cos 45 degrees) / 2), and at corners a little more. What is told to be held is what trimesh finds of the skin's
    corners; a tenth of the tolerance is aimed at, and what the first sweeps move, half of nine tenths of it at most, is
    not taken back. Facets of 1 mm cut off more than the skin's 0.2 mm."""
    surface, labels = pierced_block()
    skin = np.where(labels == 2, 2, -1).astype(np.int32)
    made = model_of(surface, skin, SHAPES, 0.2, 0.0, silent, 0.3)
    held = made.at_edges
    assert held is not None
    assert 0.3 * (0.725 * np.sqrt(0.5) + 0.5 * (1 - np.sqrt(0.5))) <= held[0] + 1e-9
    assert held[0] <= 0.3 * (0.725 + 0.5)
    mesh = made.outline.faces.mesh
    corners = surface.vertices[(np.abs(surface.vertices[:, :2]) == [LENGTH / 2, WIDTH / 2]).all(axis=1)]
    facets = mesh.points[mesh.faces]
    ways = [c - trimesh.triangles.closest_point(facets, np.tile(c, (len(facets), 1))) for c in corners]
    assert len(corners) == 8
    assert held[1] == pytest.approx(max(np.linalg.norm(way, axis=1).min() for way in ways), abs=1e-9)
    assert held[1] <= 0.5 * 0.9 * 0.2
    for tolerance, spacing in ((0.2, 1.0), (1.0, 1.1)):
        assert model_of(surface, skin, SHAPES, tolerance, 0.0, silent, spacing).at_edges is None


def test_a_floor_that_was_never_seen_is_capped() -> None:
    depth = 12.0
    surface, labels = pierced_block(depth)
    model = model_of(surface, labels, SHAPES, 0.2, 0.0, silent)
    assert (model.capped.ends, model.capped.lids) == (1, 0)
    assert model.closed
    body = built(model.outline, model.closed)
    told = checked(body.shape, body.faces)
    assert told.valid
    # The wall is carried on by 0.3 of an edge of the rim, 2 pi r / 48 less the chord.
    beyond = 0.3 * 2 * RADIUS * np.sin(np.pi / 48)
    assert told.volume == pytest.approx(BLOCK - np.pi * RADIUS**2 * (depth + beyond), rel=1e-9)


def test_what_is_written_is_read_again(pierced, tmp_path: Path) -> None:
    """By the kernel: one valid body of the same volume; by a plain reader of the text: names and colours. And the
    same bytes twice."""
    body = built(pierced.outline, pierced.closed)
    words = ("top", "bottom", "bore-k7fm", *["side"] * 4)
    names = {n: words[f] for n, f in enumerate(pierced.outline.faces.feature)}
    blue = {"bore-k7fm": (66, 120, 200)}
    faces = [Named(face, names[n], blue.get(names[n])) for n, face in body.faces.items()]
    for name in ("one.step", "two.step"):
        write_body(tmp_path / name, body.shape, "part", (200, 200, 200), faces, "test")
    text = (tmp_path / "one.step").read_text("ascii")
    assert text.replace("one.step", "") == (tmp_path / "two.step").read_text("ascii").replace("two.step", "")
    assert re.findall(r"ADVANCED_FACE\('([^']*)'", text).count("side") == 4
    assert {"top", "bottom", "bore-k7fm"} <= set(re.findall(r"ADVANCED_FACE\('([^']*)'", text))
    assert "AP242" in text.partition("DATA;")[0]
    assert len(re.findall(r"CYLINDRICAL_SURFACE\('',#\d+,8\.", text)) == 1
    assert len(re.findall(r"COLOUR_RGB", text)) == 2
    again = checked(read_body(tmp_path / "one.step"), {})
    assert again.valid
    assert again.volume == pytest.approx(BLOCK - np.pi * RADIUS**2 * HEIGHT, rel=1e-9)


def test_a_readers_curves_on_a_sphere_are_where_its_border_is(tmp_path: Path) -> None:
    """A round block with a spherical seat: volume by any formulary, pi r^2 h - pi d^2 (3 R - d) / 3. The seat's border
    is a circle that runs through the sphere's parameters; the reader draws it there anew, within 1 um of the edge."""
    radius, height, ball, rim, around, rings = 20.0, 12.0, 15.0, 13.5, 60, 12
    centre = np.sqrt(ball**2 - rim**2)
    low = np.linspace(np.arcsin(rim / ball), 0.0, rings + 1)[1:-1]
    seat = np.column_stack([ball * np.sin(low), centre - ball * np.cos(low)])
    profile = [(radius, -height), (radius, 0.0), (rim, 0.0), *seat.tolist()]
    turn = np.arange(around) * 2 * np.pi / around
    ends = [[0.0, 0.0, -height], [0.0, 0.0, centre - ball]]
    points = np.concatenate(
        [*(np.column_stack([r * np.cos(turn), r * np.sin(turn), 0 * turn + z]) for r, z in profile), ends]
    )
    a, b, last = np.arange(around), (np.arange(around) + 1) % around, (len(profile) - 1) * around
    faces, labels = [np.stack([b, a, 0 * a + len(points) - 2], axis=1)], [0 * a]
    for ring in range(len(profile) - 1):
        p, q = ring * around, (ring + 1) * around
        faces += [np.stack([p + a, p + b, q + b], axis=1), np.stack([p + a, q + b, q + a], axis=1)]
        labels += [0 * a + min(ring + 1, 3)] * 2
    faces, labels = [*faces, np.stack([last + a, last + b, 0 * a + len(points) - 1], axis=1)], [*labels, 0 * a + 3]
    up = np.array([0.0, 0.0, 1.0])
    shapes = (
        Shape("plane", -height * up, -up), Shape("cylinder", np.zeros(3), up, radius),
        Shape("plane", np.zeros(3), up), Shape("sphere", centre * up, None, ball),
    )  # fmt: skip
    surface = Surface.measured(points, np.concatenate(faces).astype(np.int32))
    model = model_of(surface, np.concatenate(labels).astype(np.int32), shapes, 0.2, 0.0, silent)
    body = built(model.outline, model.closed)
    told = checked(body.shape, body.faces)
    deep = ball - centre
    assert told.valid
    assert told.volume == pytest.approx(np.pi * (radius**2 * height - deep**2 * (3 * ball - deep) / 3), rel=1e-6)
    path = tmp_path / "seat.step"
    write_body(path, body.shape, "seat", (200, 200, 200), [], "a seat")
    face = next(TopoDS.Face(f) for f in faces_of(read_body(path)) if _kind(f) == GeomAbs_SurfaceType.GeomAbs_Sphere)
    off = []
    for edge in _edges_of(face):
        there, drawn = BRepAdaptor_Curve(edge), BRepAdaptor_Curve2d(edge, face)
        for t in np.linspace(there.FirstParameter(), there.LastParameter(), 200):
            u, v = drawn.Value(t).Coord()
            off.append(BRepAdaptor_Surface(face).Value(u, v).Distance(there.Value(t)))
    assert len(off) == 4 * 200
    assert max(off) < 1e-3


def _kind(face: Any) -> Any:
    return BRepAdaptor_Surface(TopoDS.Face(face)).GetType()


def _edges_of(face: Any) -> list[Any]:
    found, walk = [], TopExp_Explorer(face, TopAbs_ShapeEnum.TopAbs_EDGE)
    while walk.More():
        found.append(TopoDS.Edge(walk.Current()))
        walk.Next()
    return found


def test_gmsh_meshes_it_watertight(pierced, tmp_path: Path) -> None:
    """Another build of the kernel, with its own mesher; PyPI gmsh (GPL-2+)."""
    gmsh = pytest.importorskip("gmsh", reason="pip install gmsh")
    body = built(pierced.outline, pierced.closed)
    path = tmp_path / "part.step"
    write_body(path, body.shape, "part", (200, 200, 200), [], "test")
    gmsh.initialize(interruptible=False)
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        gmsh.model.occ.importShapes(str(path))
        gmsh.model.occ.synchronize()
        assert len(gmsh.model.getEntities(3)) == 1
        gmsh.model.mesh.generate(2)
        kinds, _, nodes = gmsh.model.mesh.getElements(2)
        triangles = np.concatenate([n.reshape(-1, 3) for kind, n in zip(kinds, nodes, strict=True) if kind == 2])
    finally:
        gmsh.finalize()
    edges = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all()


def test_a_feature_that_the_light_mesh_has_no_facet_of_is_told(tmp_path: Path) -> None:
    vertices, faces, labels = part_mesh()
    data = build(outcome())
    gone = int(labels[labels >= 0].max())
    while data.features[gone].kind != "cylinder":
        gone -= 1
    labels = np.where(labels == gone, -1, labels).astype(np.int32)
    report = make_part(tmp_path / "part.step", data, Surface.measured(vertices, faces), labels, 0.5)
    told = {fallen.feature: fallen.why for fallen in report.record.as_facets}
    assert told[data.features[gone].id] == "the light mesh has no facet of it"
    assert set(told) | set(report.record.features) >= {f.id for f in data.features[: gone + 1] if f.machined}
    assert any(f"has {data.features[gone].id}," in text for text in report.cautions)


@pytest.mark.parametrize(("edge", "told"), [(0.9, 0), (1.6, 1)])
def test_what_coarse_facets_cut_off_within_the_skin_is_told(edge: float, told: int, tmp_path: Path) -> None:
    """A facet of length l across a right angle is off by l / 2 at most: plane geometry."""
    vertices, faces, labels = part_mesh()
    data = build(outcome())
    data = data.model_copy(update={"source": data.source.model_copy(update={"mean_edge": edge})})
    labels = np.where(labels == labels[0], -1, labels).astype(np.int32)
    report = make_part(tmp_path / "part.step", data, Surface.measured(vertices, faces), labels, 0.5)
    found = [text for text in report.cautions if "cut off a right angle by about 0.8" in text]
    assert len(found) == told
    assert report.record.edge_depth == pytest.approx(max(0.8, 0.75 * edge))
