"""A rescan held against the plan: what is off is told with its size, what is right is not blamed.

The truth is that of the exact solid which the scan was made of (OCP); the plan is laid on another exact solid.

Covers: pipeline.fitup.rescan.against_plan, pipeline.questions.rescan, pipeline.formats.check_file.check_file
Covers: pipeline.cli.workshop.check
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

from pipeline import run
from pipeline.cli.main import main
from pipeline.formats.check_file import check_schema_text
from pipeline.job import make_job
from tests.rescanned import block, cut_block, layout, write_scan


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A layout whose part is an exact solid, and the run of a scan after the cuts: 0.15 mm too much left on top, the
    seat's floor 0.15 mm too deep."""
    here = tmp_path_factory.mktemp("rescan")
    writer = STEPControl_Writer()
    writer.Transfer(block(), STEPControl_AsIs)
    writer.Write(str(here / "block.step"))
    (here / "plan.toml").write_text(layout('file = "block.step"\nuncertainty = 0.003'))
    write_scan(here / "made.stl", cut_block(top=0.15, floor=-0.15), 1.5, 61)
    made = make_job({"scan": here / "made.stl", "export": {"report": False}})
    run(made, out=here / "made")
    return here


def checked(folder: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as error:
        main(["check", *(str(folder / m) if not m.startswith("-") else m for m in more)])
    assert isinstance(error.value.code, int)
    return error.value.code, *capsys.readouterr()


def test_two_faces_off_the_plan_are_told_and_nothing_else(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = checked(folder, capsys, "plan.toml", "made", "--json")
    assert status == 3
    record: dict[str, Any] = json.loads(out)
    jsonschema.validate(record, json.loads(check_schema_text()))
    assert (folder / "plan-check" / "check.json").read_text() == out
    faces = {face["name"]: face for face in record["faces"]}
    assert {name for name, face in faces.items() if face["verdict"] == "off the plan"} == {"top", "seat floor"}
    for name, off in (("top", 0.15), ("seat floor", -0.15)):
        assert faces[name]["off"] == pytest.approx(off, abs=1.5 * faces[name]["off_expanded"])
        assert faces[name]["off_expanded"] < 0.02
    for name in ("seat", "drain"):
        assert faces[name]["verdict"] == "as planned"
        assert abs(faces[name]["size"]) < 2.0 * faces[name]["size_expanded"]
    assert record["moved"] == []
    assert not record["held"]
    (wall,) = record["walls"]
    # From the seat's wall to the hole of 8 mm beside it: 28 - 4 - 21.
    assert wall["verdict"] == "too thin"
    assert wall["spots"][0]["spot"]["distance"] == pytest.approx(3.0, abs=0.05)


def test_the_terminal_says_it_in_words(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = checked(folder, capsys, "plan.toml", "made")
    assert status == 3
    lines = [line for line in out.splitlines() if line.startswith("planned")]
    assert [line.split(": ")[2 if "rescan" in line else 1] for line in lines].count("off the plan") == 2
    assert "P1 top" in lines[0]
    assert "0.15" in lines[0]


def test_without_a_cut_or_with_another_part_it_says_so(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "none.toml").write_text(
        "".join(f"[part.{n}]\nturned = [[0, 20], [50, 20]]\nuncertainty = 0.01\n" for n in ("rod", "bar"))
    )
    (folder / "rod.toml").write_text(
        '[part.rod]\nturned = [[0, 20], [50, 20]]\nuncertainty = 0.01\n[[cut]]\npart = "rod"\n'
        'bore = { axis = "axis", diameter = 5.0, through = true }\n'
    )
    for words, says in (
        (("none.toml", "made"), "plans no cut"),
        (("plan.toml", "made", "--part=shaft"), "No cut is planned in a part 'shaft'"),
        (("plan.toml", "nowhere.stl"), "nowhere.stl"),
        (("rod.toml", "made"), "doesn't lie on the part in any way"),
    ):
        status, out, err = checked(folder, capsys, *words)
        assert (status, out) == (2, "")
        assert says in err
        assert len([line for line in err.splitlines() if line.startswith("datumlift: ")]) == 1
        assert "Traceback" not in err
    assert not (folder / "none-check").exists()
    assert not (folder / "rod-check").exists()


def test_the_motion_lays_the_rescan_on_the_plan(folder: Path) -> None:
    record = json.loads((folder / "plan-check" / "check.json").read_text())
    datums = json.loads((folder / "made" / "datums.json").read_text())
    # Rescan in part coordinates -> scan -> the block's own, which the plan's STEP file is in.
    again = write_scan(folder / "again.stl", cut_block(top=0.15, floor=-0.15), 1.5, 61)
    to_scan = np.linalg.inv(np.array(datums["frame"]["matrix"]))
    corners = np.array(np.meshgrid([-90, 0], [-35, 35], [-60, 0])).reshape(3, -1).T
    there = np.c_[corners, np.ones(8)] @ (np.linalg.inv(again) @ to_scan).T
    laid = np.c_[corners, np.ones(8)] @ np.array(record["matrix"]).T
    u = np.array(record["standard"])
    assert np.abs(there - laid)[:, :3].max() < 4.0 * (u[:3].max() + np.radians(u[3:].max()) * 110.0)
