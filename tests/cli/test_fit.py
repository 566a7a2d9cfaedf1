"""The command fit: layouts of turned parts, a STEP file and a mesh, what it says of them, and of what makes no sense.

Distances are held against the CAD kernel's between exact solids (OCP, BRepExtrema) and against closed forms.

Covers: pipeline.layout, pipeline.settings_file, pipeline.formats.fit_file.build, pipeline.formats.parts_in.part
Covers: pipeline.formats.fit_file.schema, pipeline.formats.fit_file.clearance, pipeline.formats.parts_in.step
Covers: pipeline.formats.fit_file.plain, pipeline.questions.kind, pipeline.questions.asking
Covers: pipeline.questions.outputs, pipeline.questions.clearance, pipeline.cli.workshop.fit
Covers: pipeline.formats.fit_file.cut, pipeline.questions.cut, pipeline.questions.wall
Covers: pipeline.formats.parts_in.run_folder, pipeline.formats.parts_in.assembly
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import trimesh
from click.testing import CliRunner
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

from pipeline.cli.main import main
from pipeline.formats.fit_file import FitFile, fit_schema_text
from pipeline.formats.meshes_out import write_stl
from pipeline.formats.solid import read_solid


def cylinder(point: tuple[float, float, float], radius: float, length: float) -> Any:
    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(*point), gp_Dir(0, 0, 1)), radius, length).Shape()


def block() -> Any:
    """80 x 60 x 40 from the origin, with a bore D30 along z through (40, 30)."""
    return BRepAlgoAPI_Cut(BRepPrimAPI_MakeBox(80.0, 60.0, 40.0).Shape(), cylinder((40, 30, -1), 15.0, 50.0)).Shape()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    writer = STEPControl_Writer()
    writer.Transfer(block(), STEPControl_AsIs)
    writer.Write(str(tmp_path / "block.step"))
    ball = trimesh.creation.icosphere(4, 8.0 / 25.4)
    write_stl(tmp_path / "ball.stl", ball.vertices, ball.faces.astype(np.int32), "mm")
    open_box = trimesh.creation.box((10.0, 10.0, 10.0))
    write_stl(tmp_path / "open.stl", open_box.vertices, open_box.faces[:-1].astype(np.int32), "mm")
    return tmp_path


LAYOUT = """
[part.block]
file = "block.step"
uncertainty = 0.02

[part.shaft]
turned = [[-30, 44], [-3, 44], [-3, 29.9], [70, 29.9]]
uncertainty = 0.01
[[part.shaft.place]]
axis = "axis"
on = "block: H1"
way = "WAY"

[part.ball]
file = "ball.stl"
units = "in"
uncertainty = 0.03
at = [[1, 0, 0, 100], [0, 1, 0, 30], [0, 0, 1, 20], [0, 0, 0, 1]]

[[clearance]]
between = ["shaft", "block"]
least = 1

[[clearance]]
between = ["ball", "block"]
least = 5
"""


def run(path: Path, *options: str) -> tuple[int, str]:
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(path.parent)
        found = CliRunner().invoke(_command(), [str(path), *options], standalone_mode=False)
    if found.exception is not None:
        raise found.exception
    return int(found.return_value), found.stdout


def _command() -> Any:
    from pipeline.cli.workshop.fit import command

    return command


def test_a_shaft_through_a_block_and_a_ball_beside_it(folder: Path) -> None:
    path = folder / "job.toml"
    axis_up = LAYOUT.replace("WAY", "same")
    path.write_text(axis_up)
    status, text = run(path, "--json", "--quiet")
    found = FitFile.model_validate_json(text)
    if found.parts[1].matrix[2][2] < 0:  # a cylinder's axis has no sense of its own; the job says which way is meant
        path.write_text(LAYOUT.replace("WAY", "opposed"))
        status, text = run(path, "--json", "--quiet")
        found = FitFile.model_validate_json(text)
    assert json.loads((folder / "job" / "fit.json").read_text()) == json.loads(text)
    shaft, ball = found.clearances
    (fit,) = shaft.fits
    assert (fit.bore, fit.inner) == (("block", "H1"), ("shaft", "step 2"))
    assert fit.play == pytest.approx(0.1, abs=1e-9)
    assert fit.expanded == pytest.approx(4 * np.hypot(0.02, 0.01))
    assert fit.overlap == pytest.approx(40.0, abs=1e-6)
    # The collar's shoulder stands 3 mm below the block's foot.
    assert shaft.spot is not None
    assert shaft.spot.distance == pytest.approx(3.0, abs=1e-6)
    assert shaft.verdict == "clear"
    assert ball.spot is not None
    exact = BRepExtrema_DistShapeShape(block(), cylinder((100.0, 30.0, 20.0), 8.0, 1e-3)).Value()
    assert exact == pytest.approx(12.0, abs=1e-6)
    assert ball.spot.distance == pytest.approx(exact, abs=0.002)
    assert ball.spot.expanded == pytest.approx(2 * np.hypot(0.02, 0.03) + 0.0, rel=0.01)
    assert status == 0
    assert found.held
    jsonschema.validate(json.loads(text), json.loads(fit_schema_text()))
    scene = trimesh.load(folder / "job" / "placed.glb")
    assert set(scene.geometry) == {"block", "shaft", "ball"}
    metres = np.ptp(scene.geometry["block"].vertices, axis=0)
    assert sorted(metres) == pytest.approx([0.04, 0.06, 0.08])


def test_what_is_not_held_is_exit_status_3(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder / "job.toml"
    path.write_text(LAYOUT.replace("WAY", "same").replace("least = 5", "least = 12.5"))
    with pytest.raises(SystemExit) as left:
        main(["fit", str(path), "--quiet"])
    assert left.value.code == 3
    with pytest.raises(SystemExit):
        main(["fit", str(path)])
    told = capsys.readouterr().out
    assert "ball, block: too near: 12.000 mm" in told
    assert "play 0.100 mm" in told


ROD = "[part.rod]\nturned = [[0, 20], [50, 20]]\nuncertainty = 0.01\n"
BAR = ROD.replace("rod", "bar")
PLATE = """[part.wall]
plate = { size = [60, 40], thickness = 8, holes = [{ at = [0, 0], diameter = 9 }] }
uncertainty = 0.1
"""
ON = '[[part.bar.place]]\naxis = "axis"\non = "rod: axis"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the setting 'part' is missing"),
        (ROD, "a layout needs two parts at least"),
        (ROD + BAR.replace("[part.bar]", "[part.Rod]"), "a name of its own"),
        (ROD + BAR.replace("turned", "truned"), "there is no setting 'part.bar.truned'; did you mean 'turned'?"),
        (ROD + BAR.replace("uncertainty = 0.01", ""), "needs its uncertainty"),
        (ROD + BAR.replace("[50, 20]", "[-5, 20]"), "stations that rise"),
        (ROD + BAR.replace("[50, 20]", "[50, 1e308]"), "should be less than or equal to 1000000"),
        (ROD + BAR.replace("[50, 20]", "[50, 1e-300]"), "should be greater than or equal to 0.001"),
        (ROD + BAR.replace("[50, 20]", "[1e308, 20]"), "should be less than or equal to 1000000"),
        (ROD + '[part.bar]\nrun = "nowhere"\n', "There is no datum file"),
        (ROD + '[part.bar]\nrun = "no\\u0000where"\n', "no file can have that name"),
        (ROD + '[part.bar]\nfile = "no\\u0000.stl"\nuncertainty = 0\n', "no file can have that name"),
        (ROD + '[part.bar]\nfile = "nowhere.step"\nuncertainty = 0\n', "There is no file"),
        (ROD + '[part.bar]\nfile = "ball.step"\nuncertainty = 0\n', "can't be read as STEP"),
        (ROD + '[part.bar]\nfile = "nowhere.stl"\nuncertainty = 0\n', "nowhere.stl"),
        (ROD + BAR + ON.replace("rod: axis", "frame: axis"), "of a part that stands before it in the layout (rod)"),
        (ROD + BAR + ON.replace("rod: axis", "rod: H7"), "There is no feature 'H7'"),
        (ROD + BAR + ON + ON, "takes no freedom away"),
        (ROD + BAR + ON + ON + 'way = "opposed"\n', "turn by another 180.0 degrees"),
        (ROD + BAR + ON + "gap = 3\n", "a gap is between faces"),
        (ROD + BAR + ON + "turn = 3\n", "a turn is about the one axis that the lines before it leave"),
        (ROD + BAR + ON + "turn_uncertainty = 3\n", "give the turn as well"),
        (ROD + BAR + ON.replace("axis =", "face ="), "bar: axis is an axis, where a face is wanted"),
        (ROD + BAR + '[[clearance]]\nbetween = ["rod", "bra"]\n', "there is no part 'bra'; there are rod, bar"),
        (ROD + BAR + '[[clearance]]\nbetween = ["rod", "rod"]\n', "a part is not asked for its distance from itself"),
        (ROD + BAR.replace("[part.bar]", "[part.rod]"), "is not valid TOML"),
        (ROD + BAR + "at = [[1,0,0,nan],[0,1,0,0],[0,0,1,0],[0,0,0,1]]\n", "figures that are none"),
        (ROD + BAR + "at = [[1,0,0,1e308],[0,1,0,0],[0,0,1,0],[0,0,0,1]]\n", "beyond 1,000,000"),
        (ROD + BAR.replace("[50, 20]", "[50, inf]"), "part.bar.turned"),
        (ROD + '[part.bar]\nfile = "wire.step"\nuncertainty = 0\n', "has no faces; export the part as a solid"),
        (ROD + '[part.bar]\nfile = "ball.stl"\nuncertainty = 0\n', "states no unit, and in mm it would be 0.63 mm"),
        (ROD + BAR + '[[travel]]\nmove = "bar"\nabout = "rod: end"\nup_to = 5\n', "is a face, where an axis"),
        (ROD + BAR + '[[envelope]]\nturn = "bar"\nabout = "rad: axis"\n', "written PART: WORDS"),
        (ROD + PLATE.replace("size = [60, 40], ", ""), "a plate has one of size"),
        (ROD + PLATE.replace("[0, 0]", "[28, 0]"), "hole 1 at [28, 0] runs out of the plate's outline"),
        (ROD + PLATE.replace("thickness = 8", "thickness = 0"), "part.wall.plate.thickness"),
        (ROD + BAR + "at = [[2,0,0,0],[0,1,0,0],[0,0,1,0],[0,0,0,1]]\n", "no rigid motion"),
    ],
)
def test_what_makes_no_sense_is_one_sentence_and_nothing_is_written(
    folder: Path, text: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "ball.step").write_bytes((folder / "ball.stl").read_bytes())
    writer = STEPControl_Writer()
    writer.Transfer(BRepBuilderAPI_MakeEdge(gp_Pnt(0, 0, 0), gp_Pnt(9, 0, 0)).Edge(), STEPControl_AsIs)
    writer.Write(str(folder / "wire.step"))
    path = folder / "job.toml"
    path.write_text(text)
    before = sorted(folder.rglob("*"))
    with pytest.raises(SystemExit) as left:
        main(["fit", str(path), "--quiet"])
    assert left.value.code == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
    assert "Traceback" not in told
    assert sorted(folder.rglob("*")) == before


def test_a_file_in_another_unit_is_where_its_unit_says(folder: Path) -> None:
    """The ball of 8 mm, its file in inches, read as mm would be 0.3 mm large and as far away as its middle."""
    path = folder / "job.toml"
    path.write_text(LAYOUT.replace("WAY", "same").replace('units = "in"', 'units = "mm"'))
    _, text = run(path, "--json", "--quiet")
    spot = FitFile.model_validate_json(text).clearances[1].spot
    assert spot is not None
    assert spot.distance == pytest.approx(20.0 - 8.0 / 25.4, abs=0.01)


def test_an_open_part_is_told(folder: Path) -> None:
    path = folder / "job.toml"
    path.write_text(
        ROD + '[part.lid]\nfile = "open.stl"\nuncertainty = 0.05\n[[clearance]]\nbetween = ["rod", "lid"]\n'
    )
    status, text = run(path, "--json", "--quiet")
    found = FitFile.model_validate_json(text)
    assert [part.closed for part in found.parts] == [True, False]
    assert (status, found.clearances[0].verdict) == (3, "hits")


def test_what_stands_on_a_part_moves_with_it(folder: Path) -> None:
    """The doubt of a gap on which a part stands is none between it and a part that stands on it, and is all of what
    both have to the part below: twice 0.5 mm at 95 %."""
    path = folder / "tower.toml"
    on = '[[part.{}.place]]\naxis = "axis"\non = "{}: axis"\n[[part.{}.place]]\nface = "start"\non = "{}: end"\n'
    rods = [ROD.replace("rod", name).replace("0.01", "0") for name in ("low", "middle", "high")]
    path.write_text(
        rods[0]
        + rods[1]
        + on.format("middle", "low", "middle", "low")
        + "gap = 5\ngap_uncertainty = 0.5\n"
        + rods[2]
        + on.format("high", "middle", "high", "middle")
        + "gap = 3\n"
        + '[[clearance]]\nbetween = ["low", "high"]\n[[clearance]]\nbetween = ["middle", "high"]\n'
    )
    _, text = run(path, "--json", "--quiet")
    far, near = FitFile.model_validate_json(text).clearances
    assert far.spot is not None
    assert near.spot is not None
    assert (far.spot.distance, far.spot.expanded) == pytest.approx((58.0, 1.0))
    assert (near.spot.distance, near.spot.expanded) == pytest.approx((3.0, 0.0), abs=1e-9)


CUTS = """
[part.block]
file = "block.step"
uncertainty = 0.02

[[cut]]
part = "block"
name = "seat"
counterbore = { axis = "H1", diameter = 40, face = "face nearest [10, 10, 40]", depth = "0.5 in" }
wall = 8
density = 7.2

[[cut]]
part = "block"
facing = { face = "face nearest [10, 10, 0]", take = 3 }

[[wall]]
part = "block"
least = 12
behind = ["seat"]
"""


def test_cuts_of_mesh_and_solid_and_the_walls_they_leave(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Volumes by formula, and by the CAD kernel from what was written."""
    path = folder / "job.toml"
    path.write_text(CUTS)
    status, text = run(path, "--json", "--quiet")
    found = FitFile.model_validate_json(text)
    jsonschema.validate(json.loads(text), json.loads(fit_schema_text()))
    seat, foot = found.cuts
    ring, slab = np.pi * (20**2 - 15**2) * 12.7, (80 * 60 - np.pi * 15**2) * 3
    assert seat.volume == pytest.approx(ring, rel=3e-4)
    assert foot.volume == pytest.approx(slab, rel=3e-4)
    assert [cut.exact.volume for cut in found.cuts if cut.exact] == pytest.approx([ring, slab], rel=1e-6)
    assert seat.mass == pytest.approx(ring * 7.2e-3, rel=3e-4)
    assert [face.name for face in seat.planned] == ["seat", "seat floor"]
    # Round the seat 30 - 20 mm are left, under its floor 40 - 12.7, and 3 less after the facing.
    assert seat.wall is not None
    assert (seat.wall.verdict, found.walls[0].verdict) == ("holds", "too thin")
    assert seat.wall.spots[0].spot.distance == pytest.approx(10.0, abs=0.02)
    assert status == 3
    written = folder / "job"
    names = {"block-cut.stl", "block-cut.ply", "block-cut.step", "fit.json", "fit.html", "placed.glb", "placed.3mf"}
    assert {p.name for p in written.iterdir() if p.is_file() and p.suffix != ".dxf"} - {".datumlift"} == names
    left = 80 * 60 * 40 - np.pi * 15**2 * 40 - ring - slab
    assert trimesh.load(written / "block-cut.stl").volume == pytest.approx(left, rel=1e-4)
    body = read_solid(written / "block-cut.step")
    assert body.volume == pytest.approx(left, rel=1e-9)
    assert {"seat"} <= {face.name for face in body.faces}
    with pytest.raises(SystemExit):
        main(["fit", str(path)])
    told = capsys.readouterr().out
    assert "block, seat: " in told
    assert "new faces: P1 (seat), P2 (seat floor)" in told
    assert "wall       block: too thin: 10.0" in told
    page = (written / "fit.html").read_text(encoding="utf-8")
    assert "Places to sound by ultrasound before metal is taken" in page
    # The map of the seat's round, unrolled, and of its floor: 10 mm left and more, with those under 12 marked.
    assert page.count("Wall behind P1, seat") >= 2
    assert "under 12" in page


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[cut]]\npart = "rod"\n', "a cut is one of facing, bore, counterbore"),
        ('[[cut]]\npart = "bar"\nfacing = { face = "end" }\n', "cut 1: there is no part 'bar'; there are rod"),
        ('[[cut]]\npart = "rod"\nbore = { axis = "axis", diameter = 5 }\n', "a cut ends in one way"),
        (
            '[[cut]]\npart = "rod"\nbore = { axis = "axis", diameter = 5, depth = 5 }\n',
            "needs the face that it starts at",
        ),
        ('[[cut]]\npart = "rod"\nfacing = { face = "end", take = 1, leave = 1 }\n', "not both"),
        ('[[cut]]\npart = "rod"\nfacing = { face = "end", take = "2 foot" }\n', "needs a number"),
        ('[[cut]]\npart = "rod"\nfacing = { face = "end", tkae = 2 }\n', "did you mean 'take'?"),
        ('[[cut]]\npart = "rod"\nholes = { face = "end", diameter = 2, depth = 2 }\n', "holes stand at places"),
        ('[[cut]]\npart = "rod"\nbore = { axis = "axis", diameter = 30, through = true }\n', "takes all of rod"),
        ('[[cut]]\npart = "rod"\nfacing = { face = "z", leave = 60 }\n', "the whole part lies below z"),
        ('[[wall]]\npart = "rod"\nleast = 5\nbehind = ["H1"]\n', "wall: rod: There is no feature 'H1'"),
        ('[[wall]]\npart = "lid"\nleast = 5\n[part.lid]\nfile = "open.stl"\nuncertainty = 0\n', "lid is not closed"),
        (
            '[[cut]]\npart = "lid"\nfacing = { face = "z" }\n[part.lid]\nfile = "open.stl"\nuncertainty = 0\n',
            "the part lid is not closed all round",
        ),
    ],
)
def test_a_cut_that_makes_no_sense_is_one_sentence_and_nothing_is_written(
    folder: Path, text: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    test_what_makes_no_sense_is_one_sentence_and_nothing_is_written(folder, ROD + text, said, capsys)
