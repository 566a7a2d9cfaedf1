"""Made parts built by the CAD kernel: volumes as closed forms, names, axes; read again; as facets; thin places.

Covers: pipeline.formats.made_parts.build, pipeline.formats.made_parts.letters, pipeline.formats.made_parts.checks
Covers: pipeline.formats.made_parts.made, pipeline.formats.solid.facets, pipeline.formats.fit_file.make
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.TopoDS import TopoDS

from pipeline.errors import GeometryError
from pipeline.fitup.made import Lettering, MadePart, Outline, Prism, Step, Turned, circle
from pipeline.fitup.made.solids import around_discs, cylinder, frame, mirrored, volume_of
from pipeline.formats.made_parts import solid_of, write_made
from pipeline.formats.made_parts.build import built
from pipeline.formats.made_parts.letters import letters_of
from pipeline.formats.made_parts.made import made_up
from pipeline.formats.solid import read_solid
from pipeline.making import MakeQuestion, Printing

UP = np.array([0.0, 0.0, 1.0])
AXIS = np.array([0.3, -0.2, 0.9])
HULL = around_discs([(0, 0, 12), (100, 0, 12), (60, 90, 15)])
PLATE = (
    Step("add", Prism(HULL, 4, 12, (circle(60, 90, 5),)), "plate"),
    Step("add", cylinder(np.array([0.0, 0, 0]), UP, 8, 6, "pad 1"), "pad 1"),
    Step("add", cylinder(np.array([100.0, 0, 0]), UP, 8, 6, "pad 2"), "pad 2"),
    Step("take", cylinder(np.array([0.0, 0, -1]), UP, 3, 20), "pin 1"),
)
VOLUME = 8 * (HULL.area - 25 * np.pi) + 2 * 4 * 64 * np.pi - 12 * 9 * np.pi
SIDE = frame(np.array([50.0, -12, 8]), np.array([0, -1.0, 0]), np.array([1.0, 0, 0]))
TEXT = Step("add", Lettering("AXIS B \u00b10.24 >", 4, 0.6, SIDE), "text 1")
GUIDE = {"axis": "a: c", "face": "a: end", "drill": 5}
WISH = {"seat": "a: end", "locate": [{"pin": "a: b"}], "guide": [GUIDE]}


def question(**more: object) -> MakeQuestion:
    return MakeQuestion(name="plate", template=WISH, **more)


def part(steps: tuple[Step, ...] = (*PLATE, TEXT), volume: float | None = VOLUME, **more: object) -> MadePart:
    return MadePart("plate", "template", steps, np.eye(4), (), (), volume=volume, **more)  # type: ignore[arg-type]


def test_read_again_it_is_valid_named_and_as_large_as_drawn(tmp_path: Path) -> None:
    made = solid_of(part(twin=mirrored((*PLATE, TEXT))), question())
    files = write_made(tmp_path, part(twin=mirrored((*PLATE, TEXT))), made, question())
    assert sorted(files) == sorted(path.name for path in tmp_path.iterdir())
    again = read_solid(tmp_path / "plate.step")
    assert BRepCheck_Analyzer(again.shape).IsValid()
    names = {face.name for face in again.faces}
    assert names == {"plate bottom", "plate top", "plate side", "plate hole", "pad 1 side", "pad 1 bottom",
                     "pad 2 side", "pad 2 bottom", "pin 1", "text 1"}  # fmt: skip
    letters = sum(outline.area - sum(h.area for h in holes) for outline, holes in letters_of("AXIS B \u00b10.24 >", 4))
    assert again.volume == pytest.approx(VOLUME + 0.6 * letters, rel=1e-6)
    assert "AP242" in (tmp_path / "plate.step").read_text("ascii")
    over = read_solid(tmp_path / "plate-mirrored.step")
    assert over.volume == pytest.approx(again.volume, rel=1e-6)
    for ending in ("stl", "3mf"):
        mesh = trimesh.load(tmp_path / f"plate.{ending}", force="mesh")
        mesh.merge_vertices()
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        # Facets within the chord of the faces.
        assert mesh.volume == pytest.approx(again.volume, abs=0.02 * mesh.area)
    model = zipfile.ZipFile(tmp_path / "plate.3mf").read("3D/3dmodel.model")
    assert b'unit="millimeter"' in model


def test_an_oblique_hole_has_the_axis_that_it_was_drawn_with() -> None:
    hole = cylinder(np.array([40.0, 30, -40]), AXIS, 3.0, 90.0, "guide")
    body = built([*PLATE, Step("take", hole, "guide")], "plate")
    face = next(TopoDS.Face(named.face) for named in body.faces if named.name == "guide side")
    surface = BRepAdaptor_Surface(face)
    assert surface.GetType() == GeomAbs_SurfaceType.GeomAbs_Cylinder
    axis = surface.Cylinder().Axis()
    way = np.array([axis.Direction().X(), axis.Direction().Y(), axis.Direction().Z()])
    assert abs(way @ AXIS) / np.linalg.norm(AXIS) == pytest.approx(1.0, abs=1e-12)
    point = np.array([axis.Location().X(), axis.Location().Y(), axis.Location().Z()])
    off = point - [40.0, 30, -40]
    assert np.linalg.norm(off - (off @ way) * way) < 1e-9


def test_turned_faces_go_by_their_own_names() -> None:
    names = ("", "shoulder", "seat", "lead", "end")
    peg = Turned(((0.0, 0.0), (8.0, 0.0), (8.0, 6.0), (1.0, 6.0), (0.0, 5.0)), np.eye(4), names)
    body = built([Step("add", peg, "peg")], "peg")
    assert sorted(face.name for face in body.faces) == ["end", "lead", "seat", "shoulder"]
    assert body.volume == pytest.approx(volume_of(peg))


def test_thin_places_are_found_by_rays() -> None:
    """Two bores leave 1.5 mm between them at their nearest, by construction."""
    thin = Prism(circle(0, 0, 20), 0, 10, (circle(-5, 0, 4.0), circle(4.5, 0, 4.0)))
    made = solid_of(part((Step("add", thin, "disc"),), volume_of(thin)), question())
    assert made.wall == pytest.approx(1.5, abs=0.03)
    assert abs(made.thin[1]) < 2.0


def test_what_is_not_as_drawn_is_refused() -> None:
    with pytest.raises(GeometryError, match="drawn as"):
        solid_of(part(volume=VOLUME * 1.001), question())
    crossed = Outline(((0, 0), (10, 10), (10, 0), (0, 10)))
    with pytest.raises(GeometryError, match="plate"):
        solid_of(part((Step("add", Prism(crossed, 0, 5), "plate"),), None), question())


def test_a_printer_gets_its_own_sizes() -> None:
    """Holes 0.2 larger, all of it 1 % larger; the exact solid as it was."""
    printing = Printing(hole=0.2, shrink=1.0)
    made = built(made_up(PLATE, printing), "plate")
    wider = 8 * np.pi * (5.1**2 - 25) + 12 * np.pi * (3.1**2 - 9)
    assert made.volume == pytest.approx(VOLUME - wider)
    assert printing.grow == pytest.approx(1.0 / 0.99)
