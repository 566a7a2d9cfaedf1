"""What a layout's [[make]] tables give, on the command line: a template for a block with bosses, its files and figures;
and wishes that can't be had, each told in one sentence with nothing written.

Covers: pipeline.making, pipeline.questions.make, pipeline.fitup.made.kinds, pipeline.fitup.made.template
Covers: pipeline.fitup.made.ground, pipeline.fitup.made.words, pipeline.fitup.made.split
Covers: pipeline.formats.made_drawings.template_views, pipeline.formats.made_drawings.outlines
"""

from __future__ import annotations

import html
import json
import re
import tomllib
from pathlib import Path
from typing import Any

import ezdxf
import jsonschema
import numpy as np
import pytest
import trimesh
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer
from OCP.TopoDS import TopoDS

from pipeline.cli.main import main
from pipeline.fitup.made import on_bed
from pipeline.formats.fit_file import fit_schema_text
from pipeline.formats.solid import read_solid
from pipeline.job import Measured


def along_z(x: float, y: float, z: float, radius: float, length: float) -> Any:
    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(x, y, z), gp_Dir(0, 0, 1)), radius, length).Shape()


@pytest.fixture(scope="module")
def casting(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """160 x 120 x 20 below z = 0, with four holes D12, a rib 15 high and a boss D40, 8 high, about (120, 90)."""
    body = BRepPrimAPI_MakeBox(gp_Pnt(0, 0, -20), gp_Pnt(160, 120, 0)).Shape()
    for more in (BRepPrimAPI_MakeBox(gp_Pnt(70, 5, -1), gp_Pnt(80, 60, 15)).Shape(), along_z(120, 90, -1, 20, 9)):
        body = BRepAlgoAPI_Fuse(body, more).Shape()
    for x, y in ((30, 30), (130, 30), (30, 100), (45, 100)):
        body = BRepAlgoAPI_Cut(body, along_z(x, y, -30, 6, 60)).Shape()
    path = tmp_path_factory.mktemp("casting") / "casting.step"
    writer = STEPControl_Writer()
    writer.Transfer(body, STEPControl_AsIs)
    writer.Write(str(path))
    return path


def told_by(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    """The exit status of `datumlift fit WORDS`, and all that it printed."""
    capsys.readouterr()
    with pytest.raises(SystemExit) as end:
        main(["fit", *words])
    seen = capsys.readouterr()
    return int(end.value.code or 0), seen.out + seen.err


BASE = {
    "seat": '"casting: face nearest [5, 5, 0]"',
    "one": '{pin = "casting: hole nearest [30, 30, -10]"}',
    "other": '{pin = "casting: hole nearest [130, 30, -10]", flat = true}',
    "axis": '"mark: axis"',
    "face": '"casting: face nearest [120, 90, 8]"',
    "mark": "[[1, 0, 0, 120], [0, 1, 0, 90], [0, 0, 1, 8], [0, 0, 0, 1]]",
    "more": "",
    "guide": "bush = true\ndepth = 15",
    "printing": "",
}


def layout(casting: Path, tmp_path: Path, **other: str) -> Path:
    said = BASE | other
    path = tmp_path / "make.toml"
    path.write_text(f"""
[part.casting]
file = "{casting}"
uncertainty = 0.01
[part.mark]
turned = [[0, 8], [5, 8]]
uncertainty = 0.005
at = {said["mark"]}
[[make]]
name = "pilot template"
gap = 2
uncertainty = 0.02
{said["printing"]}
[make.template]
seat = {said["seat"]}
locate = [{said["one"]}, {said["other"]}]
{said["more"]}
[[make.template.guide]]
axis = {said["axis"]}
face = {said["face"]}
drill = 8
{said["guide"]}
""")
    return path


def test_a_template_and_all_that_is_said_of_it(
    casting: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = layout(casting, tmp_path, more="mirror = true")
    status, said = told_by(capsys, str(path), "--quiet")
    assert status == 0, said
    out = tmp_path / "make"
    record = json.loads((out / "fit.json").read_text())
    jsonschema.validate(record, json.loads(fit_schema_text()))
    made = record["made"][0]
    assert sorted(made["files"]) == sorted(path.name for path in out.glob("pilot-template*"))
    assert len(made["files"]) == 8
    assert made["clearances"][0]["verdict"] == "clear"
    # The boss that is 8 high carries the guide's place; the rib, 15 high, is under the plate: it stays clear of both.
    assert made["clearances"][0]["spot"]["distance"] >= 2.0
    body = read_solid(out / "pilot-template.step")
    matrix = np.array(made["matrix"])
    face = next(TopoDS.Face(named.face) for named in body.faces if named.name == "guide 1")
    axis = BRepAdaptor_Surface(face).Cylinder().Axis()
    at = matrix @ [axis.Location().X(), axis.Location().Y(), axis.Location().Z(), 1.0]
    way = matrix[:3, :3] @ [axis.Direction().X(), axis.Direction().Y(), axis.Direction().Z()]
    assert at[:2] == pytest.approx([120.0, 90.0], abs=1e-9)
    assert abs(way[2]) == pytest.approx(1.0, abs=1e-12)
    # DIN 179 for D8: D12 outside (from memory).
    assert BRepAdaptor_Surface(face).Cylinder().Radius() == pytest.approx(6.0)
    for gauge in made["gauges"]:
        Measured.model_validate(tomllib.loads(gauge["lines"])["measured"][0])
    budget = made["budgets"][0]
    assert budget["likely"] < budget["worst"]
    assert {term["kind"] for term in budget["terms"]} == {"random", "bound"}
    page = (out / "fit.html").read_text(encoding="utf-8")
    assert "pilot template" in page
    pasted = [html.unescape(found) for found in re.findall(r"<pre>(.*?)</pre>", page, re.DOTALL)]
    assert made["gauges"]
    assert pasted[: len(made["gauges"])] == [gauge["lines"].strip() for gauge in made["gauges"]]


WRONG = [
    ({"mark": "[[1, 0, 0, 150], [0, 1, 0, 90], [0, 0, 1, 8], [0, 0, 0, 1]]"}, "meets no metal"),
    ({"mark": "[[1, 0, 0, 1200], [0, 1, 0, 90], [0, 0, 1, 8], [0, 0, 0, 1]]"}, "beyond the 500 mm"),
    ({"mark": "[[1, 0, 0, 120], [0, 0, -1, 90], [0, 1, 0, 8], [0, 0, 0, 1]]"}, "runs along"),
    (
        {
            "one": '{pin = "casting: hole nearest [30, 100, -10]"}',
            "other": '{pin = "casting: hole nearest [45, 100, -10]"}',
        },
        "too close",
    ),
    ({"other": '{pin = "casting: hole nearest [30, 30, -10]"}'}, "on one axis"),
    ({"one": '{pin = "casting: hole nearest [30, 30, -10]", diameter = 12.2}'}, "no smaller than"),
    ({"one": '{pin = "casting: hole nearest [30, 30, -10]", play = 13}'}, "leaves nothing of a pin"),
    ({"guide": "lean = 0.001\ndepth = 30"}, "allow more lean"),
    ({"more": 'text = "\\u6f22"'}, "be raised as letters"),
    ({"printing": "chord = 20"}, "facets may be"),
    ({"printing": "printing = {hole = 20}"}, "hole"),
    ({"one": '{over = "casting: hole nearest [30, 30, -10]"}'}, "wants a boss"),
    ({"one": '{screw = "casting: hole nearest [30, 30, -10]", diameter = 8}'}, "name two"),
    ({"seat": '"casting: face nearest [0, 60, -10]"'}, "leans 90.0 degrees"),
    ({"seat": '"casting: face nearest [75, 30, 15]"'}, "no flat face about"),
    ({"one": '{pin = "mark: axis"}'}, "is no round hole|wants a hole"),
    ({"one": '{spigot = "casting: hole nearest [30, 30, -10]", depth = 30}'}, "doesn't go into"),
    ({"guide": "bush = true\ndrill2 = 3"}, "drill2"),
    ({"printing": "printing = {bed = [60, 60]}"}, "larger than the bed"),
]


@pytest.mark.parametrize(("other", "said"), WRONG, ids=[said for _, said in WRONG])
def test_wishes_that_cannot_be_had(
    casting: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], other: dict[str, str], said: str
) -> None:
    status, told = told_by(capsys, str(layout(casting, tmp_path, **other)), "--quiet")
    assert status == 2, told
    told = told.strip()
    assert "Traceback" not in told
    assert len(told.splitlines()) == 1, told
    assert re.search(said, told), told
    assert not (tmp_path / "make").exists()


def test_what_would_hit_is_told_and_not_written(
    casting: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A guide that leans 45 degrees comes down beside the rib into the plate's edge: the block hits the rib."""
    c = 0.5**0.5
    mark = f"[[{c}, 0, {-c}, 86], [0, 1, 0, 30], [{c}, 0, {c}, 0], [0, 0, 0, 1]]"
    path = layout(casting, tmp_path, mark=mark, face='"casting: face nearest [5, 5, 0]"', guide="stand_off = 3")
    status, said = told_by(capsys, str(path))
    assert status == 3, said
    assert "not written" in said
    assert not list((tmp_path / "make").glob("pilot-template*"))
    assert json.loads((tmp_path / "make" / "fit.json").read_text())["made"][0]["files"] == []


OTHERS = [
    (
        "spigot",
        'fit = "H7/f7"\nlength = 20\nring = "auto"\nbore = 11',
        "leaves a wall|a smaller bore|no O-ring|thinner ring",
    ),
    ("spigot", 'fit = "H7/q9"\nlength = 20', "not in the tables"),
    ("spigot", 'fit = "H7/g6"\nlength = 20', "can't be given"),
    ("spigot", 'fit = "H7/p6"\nlength = 1\npress = {wall = 5}', "too short"),
    ("holder", 'fit = "H7/f7"\nlength = 30\nbearing = "6206"', "leaves no wall"),
    ("holder", 'fit = "H7/f7"\nlength = 30\nbearing = "9999"', "not in the tables"),
    ("holder", 'fit = "none"\nlength = 30\nbearing = "6206"', "held by its face alone"),
    ("cover", "thickness = 5", "no outline of"),
    ("gasket", "thickness = 1", "no outline of"),
    ("spacer", "thickness = -1", "thickness"),
]


@pytest.mark.parametrize(("kind", "wish", "said"), OTHERS, ids=[f"{kind}: {said}" for kind, _, said in OTHERS])
def test_turned_and_flat_wishes_that_cannot_be_had(
    casting: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str, wish: str, said: str
) -> None:
    on = "hole nearest [30, 30, -10]" if kind in ("spigot", "holder") else "face nearest [5, 5, 0]"
    face = 'face = "casting: face nearest [5, 5, 0]"' if kind in ("spigot", "holder") else ""
    path = tmp_path / "make.toml"
    path.write_text(f"""
[part.casting]
file = "{casting}"
uncertainty = {0.01 if "given" in said else 0.002}
[[make]]
name = "it"
[make.{kind}]
on = "casting: {on}"
{face}
{wish}
""")
    status, told = told_by(capsys, str(path), "--quiet")
    assert status == 2, told
    assert "Traceback" not in told
    assert len(told.strip().splitlines()) == 1, told
    assert re.search(said, told), told
    assert not (tmp_path / "make").exists()


def test_a_template_larger_than_the_bed_is_made_in_pieces(
    casting: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each piece fits the bed as it lies on its top, together they are the whole less their dowels' holes, and their
    joint is in the budget."""
    found = {}
    for name, printing in (("whole", ""), ("parted", "wall = 2.5\nprinting = {bed = [130, 110]}")):
        folder = tmp_path / name
        folder.mkdir()
        status, said = told_by(capsys, str(layout(casting, folder, printing=printing)), "--quiet")
        assert status == 0, said
        found[name] = json.loads((folder / "make" / "fit.json").read_text())["made"][0]
    out = tmp_path / "parted" / "make"
    assert sorted(found["parted"]["files"]) == sorted(path.name for path in out.glob("pilot-template*"))
    bodies = [read_solid(out / f"pilot-template{end}.step") for end in ("", "-1", "-2")]
    assert all(BRepCheck_Analyzer(body.shape).IsValid() for body in bodies)
    whole, *pieces = (body.volume for body in bodies)
    told = next(fact for fact in found["parted"]["facts"] if "dowels ISO 8734" in fact)
    pin = float(re.search(r"8734 ([\d.]+) x", told)[1])  # type: ignore[index]
    # Two dowels, holes three diameters and a mm deep in either piece, 0.05 wider.
    holes = 4 * np.pi / 4 * (pin + 0.05) ** 2 * (3 * pin + 1)
    assert sum(pieces) == pytest.approx(whole - holes, rel=1e-6)
    for k in (1, 2):
        mesh = trimesh.load(out / f"pilot-template-{k}.stl")
        assert mesh.is_watertight
        assert on_bed(mesh.vertices[:, :2], (130.0, 110.0)) is None
    before, after = (found[name]["budgets"][0] for name in ("whole", "parted"))
    assert after["likely"] > before["likely"]
    assert "joint of its pieces" in {term["name"] for term in after["terms"]}
    document = ezdxf.readfile(out / "pilot-template.dxf")
    assert not document.audit().errors
    assert len(document.modelspace().query("DIMENSION")) > 6
    text = " ".join(entity.dxf.text for entity in document.modelspace().query("TEXT"))
    assert f"within {after['likely']:.3f} mm (95 %)" in text
    # From locator to locator, as they are 100 mm apart.
    assert "100.000" in {entity.dxf.text for entity in document.modelspace().query("DIMENSION")}
