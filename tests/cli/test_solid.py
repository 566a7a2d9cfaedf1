"""The command solid and the job's setting: a small demo part as a solid, and what it says where none can be made.

Covers: pipeline.features.solid.flips, pipeline.formats.meshes_in.light
Covers: pipeline.cli.workshop.solid
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from pipeline.cli.main import main
from pipeline.formats.datum_file import plain_data, read_datums
from pipeline.job import Job
from pipeline.runner import run
from sample_meshes import make_demo
from tests.scorer import score


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "Traceback" not in told
    return told


def test_a_folder_without_a_run_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "There is no datum file" in refused(["solid", str(tmp_path)], capsys)
    assert not list(tmp_path.iterdir())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of a small demo scan whose job asks for the solid, with a skin of 1 mm."""
    place = tmp_path_factory.mktemp("run")
    # Of a scan so coarse a seat may be missed: this one shows both.
    scan, _ = make_demo(place, 4e4, seed=10)
    job = Job(scan=str(scan), export={"solid": True, "skin": 1.0, "dxf": False})
    return run(job, out=place / "out").out


def names_in(path: Path) -> list[str]:
    """Names of faces as ISO 10303-21 writes them, read as plain text."""
    return re.findall(r"ADVANCED_FACE\('([^']*)'", path.read_text("ascii"))


def test_a_run_that_asks_for_it_writes_a_valid_closed_solid(folder: Path) -> None:
    data = read_datums(folder / "datums.json")
    made = data.solid
    assert made is not None
    assert made.closed
    assert made.valid
    assert made.free_edges == 0
    assert "part.step" in data.files
    names = names_in(folder / "part.step")
    assert len(names) == made.faces
    # A feature has one face or several; all that have one are there under their numbers, and nothing else but these.
    assert set(names) - {"skin", "filled", "never seen"} == set(made.features)
    assert names.count("skin") == next(s.faces for s in made.by_kind if s.kind == "skin")
    report = (folder / "report.html").read_text("utf-8")
    assert "The solid for CAD" in report
    assert f"{made.faces:,}" in report


def test_the_command_makes_it_again_with_another_skin(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = read_datums(folder / "datums.json")
    with pytest.raises(SystemExit) as left:
        main(["solid", str(folder), "--skin", "2", "--schema", "AP214", "--json"])
    assert left.value.code == 0
    told = json.loads(capsys.readouterr().out)
    data = read_datums(folder / "datums.json")
    assert data.solid is not None
    assert told["faces"] == data.solid.faces < before.solid.faces
    assert told["skin"] == 2.0
    assert told["valid"]
    header = (folder / "part.step").read_text("ascii").partition("DATA;")[0]
    assert "AUTOMOTIVE_DESIGN" in header
    assert "FILE_NAME('part.step','2000-01-01T00:00:00'" in header  # nothing of the process or the hour
    assert not list(folder.glob(".part.step*"))
    assert len(names_in(folder / "part.step")) == told["faces"]
    # Nothing else of the datum file is touched, and what was told of the first solid is told no more.
    kept = {"solid", "cautions"}
    assert data.model_dump(exclude=kept) == before.model_dump(exclude=kept)
    assert len([c for c in data.cautions if "never seen" in c and c.startswith("part.step")]) <= 1


def test_the_run_is_a_part_that_others_are_placed_on(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A shaft on the axis of both bearing seats: its play in each is that of the drawing, within what is stated."""
    truth = json.loads((folder.parent / "bearing_housing_truth.json").read_text("utf-8"))
    drawn = {t["name"]: t for t in truth["features"]}
    data = read_datums(folder / "datums.json")
    found = {hit.truth: hit.found for hit in score(truth, plain_data(data)).hits}
    one, other = (found[name] for name in ("bearing seat A", "bearing seat B"))
    layout = tmp_path / "shaft.toml"
    shaft = 2.0 * min(drawn[name]["radius"] for name in ("bearing seat A", "bearing seat B")) - 0.4
    layout.write_text(
        f'[part.housing]\nrun = "{folder}"\n[part.shaft]\nturned = [[-300, {shaft}], [300, {shaft}]]\n'
        "uncertainty = 0.0\n"
        f'[[part.shaft.place]]\naxis = "axis"\non = "housing: common axis of {one} and {other}"\n'
        '[[clearance]]\nbetween = ["shaft", "housing"]\n'
    )
    with pytest.raises(SystemExit):
        main(["fit", str(layout), "--json", "--quiet"])
    told = json.loads(capsys.readouterr().out)
    fits = {fit["bore"][1]: fit for fit in told["clearances"][0]["fits"]}
    for name, ident in (("bearing seat A", one), ("bearing seat B", other)):
        radius = drawn[name]["radius"]
        if ident in fits:
            assert fits[ident]["play"] == pytest.approx(2 * radius - shaft, abs=1.5 * fits[ident]["expanded"])
    assert fits
    assert len(told["parts"][1]["free"]) == 2  # along the axis, and about it
    places = {record.id: record.in_part_frame.point for record in data.features}
    line = np.array(told["parts"][1]["matrix"])
    for ident in (one, other):
        off = np.array(places[ident]) - line[:3, 3]
        assert np.linalg.norm(np.cross(off, line[:3, 2])) < 0.05


def test_a_light_mesh_of_another_run_is_refused(folder: Path, tmp_path: Path, capsys) -> None:
    for name in ("datums.json", "light-scan.ply"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    light = (tmp_path / "light-scan.ply").read_bytes()
    (tmp_path / "light-scan.ply").write_bytes(light.replace(b"counts into: ", b"counts into: X", 1))
    assert "not of one run" in refused(["solid", str(tmp_path)], capsys)
    # Most parts have an F1 and an H1: that the numbers are the same tells little.
    (tmp_path / "light-scan.ply").write_bytes(light)
    data = json.loads((tmp_path / "datums.json").read_text())
    data["audit"]["facets_after"] += 2
    (tmp_path / "datums.json").write_text(json.dumps(data))
    assert "not of one run" in refused(["solid", str(tmp_path)], capsys)
    (tmp_path / "datums.json").write_bytes((folder / "datums.json").read_bytes())
    (tmp_path / "light-scan.ply").write_bytes(light[:-7])
    assert "no light mesh" in refused(["solid", str(tmp_path)], capsys)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["datums.json", "light-scan.ply"]
