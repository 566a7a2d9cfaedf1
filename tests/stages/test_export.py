"""The export stage: what it writes, and that it writes whole or not at all."""

from __future__ import annotations

import inspect
import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from pipeline.errors import OutputError
from pipeline.job import load_job
from pipeline.output_folder import MARKER
from pipeline.stages import export as stage
from pipeline.values import ExportResult, Frame, FrameResult, Outcome, Segment
from tests.outcomes import outcome, written

ALWAYS = {
    "datums.json",
    "datums.schema.json",
    "features.csv",
    "relations.csv",
    "summary.md",
    "job.toml",
    "light.stl",
    "light.ply",
    "light-scan.ply",
}
LEAN = {"step": "none", "dxf": False, "report": False}


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    path = tmp_path / "plate.stl"
    path.write_text("stands for the scan")
    return path


def write(scan: Path, out: Path, keep: tuple[str, ...] = (), **settings: object) -> ExportResult:
    return written(outcome(scan, export={**LEAN, **settings}), out, keep)


def content(folder: Path) -> dict[str, bytes]:
    """Of all files but the marker, by name."""
    files = [p for p in folder.rglob("*") if p.is_file() and p.name != MARKER]
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in files}


def test_the_files_promised_and_no_others(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = write(scan, out)
    assert set(result.files) == ALWAYS == set(content(out))
    data = json.loads((out / "datums.json").read_text())
    assert set(data["files"]) == ALWAYS
    assert "cylinder-7" in " ".join(result.cautions)
    assert not set(result.cautions) & set(outcome().cautions)


def test_the_same_outcome_gives_the_same_bytes(scan: Path, tmp_path: Path) -> None:
    write(scan, tmp_path / "a", meshes=["obj", "3mf", "glb"], step="AP242", dxf=True)
    write(scan, tmp_path / "b", meshes=["obj", "3mf", "glb"], step="AP242", dxf=True)
    assert content(tmp_path / "a") == content(tmp_path / "b")


def test_the_job_as_run_runs_again_from_where_it_lies(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "deep" / "out"
    write(scan, out)
    job = load_job(out / "job.toml")
    assert job.scan.resolve() == scan.resolve()
    assert job.out is not None
    assert job.out.resolve() == out.resolve()
    assert job.title == "Test plate"
    (tmp_path / "deep").rename(tmp_path / "moved")
    assert load_job(tmp_path / "moved" / "out" / "job.toml").scan.resolve() == scan.resolve()


def test_a_failure_leaves_everything_as_it_was(scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    write(scan, out)
    before = content(out)

    def full(*_: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(stage, "summary_md", full)
    with pytest.raises(OutputError, match="No space left"):
        write(scan, out, units="in")
    assert content(out) == before
    assert not list(out.glob(".making*"))


def test_a_file_of_someone_else_is_not_overwritten(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(scan, out)
    (out / "light.obj").write_text("mine")
    write(scan, out, meshes=["obj"])
    assert (out / "light.obj").read_text() != "mine"
    assert (out / "kept-1" / "light.obj").read_text() == "mine"


def test_what_a_run_no_longer_writes_is_taken_away(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(scan, out, meshes=["obj"])
    (out / "notes.txt").write_text("mine")
    write(scan, out)
    assert not (out / "light.obj").exists()
    assert (out / "notes.txt").read_text() == "mine"


def test_the_file_of_names_is_listed_and_left_alone(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "names.json").write_text("kept", encoding="utf-8")
    for _ in range(2):
        result = write(scan, out)
        assert "names.json" not in result.files  # which are those that the stage wrote
        assert set(json.loads((out / "datums.json").read_text())["files"]) == {*ALWAYS, "names.json"}
        assert "`names.json`: the numbers" in (out / "summary.md").read_text(encoding="utf-8")
        assert (out / "names.json").read_text(encoding="utf-8") == "kept"


def test_a_list_of_files_that_leads_elsewhere_does_no_harm(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (tmp_path / "victim").write_text("mine")
    (out / "datums.json").write_text(json.dumps({"schema_version": "1.0", "files": ["../victim", "datums.json"]}))
    write(scan, out)
    assert (tmp_path / "victim").read_text() == "mine"


def test_a_job_file_that_lies_in_the_output_folder_stays(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "job.toml").write_text("# my own notes\n")
    result = write(scan, out, keep=("job.toml",))
    assert (out / "job.toml").read_text() == "# my own notes\n"
    assert "job.toml" not in result.files
    write(scan, out, keep=("job.toml",))
    assert (out / "job.toml").read_text() == "# my own notes\n"


def test_a_folder_that_cannot_be_written_is_one_sentence(scan: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file, not a folder")
    with pytest.raises(OutputError, match="choose another --out"):
        write(scan, tmp_path / "out")
    if os.geteuid() != 0:
        closed = tmp_path / "closed"
        closed.mkdir(mode=0o500)
        with pytest.raises(OutputError, match="choose another --out"):
            write(scan, closed)


def test_inches_reach_the_meshes_and_tables_but_not_the_datum_file(scan: Path, tmp_path: Path) -> None:
    import trimesh

    write(scan, tmp_path / "mm", meshes=["glb"])
    write(scan, tmp_path / "in", meshes=["glb"], units="in")
    large, small = (trimesh.load_mesh(tmp_path / unit / "light.stl") for unit in ("mm", "in"))
    assert small.volume == pytest.approx(large.volume / 25.4**3, rel=1e-5)
    assert b"unit in" in (tmp_path / "in" / "light.stl").read_bytes()[:80]
    assert "diameter_in" in (tmp_path / "in" / "features.csv").read_text().splitlines()[0]
    assert json.loads((tmp_path / "in" / "datums.json").read_text())["units"]["length"] == "mm"
    same = "light-scan.ply"
    assert (tmp_path / "in" / same).read_bytes() == (tmp_path / "mm" / same).read_bytes()
    # glTF is in metres whatever the unit.
    assert (tmp_path / "in" / "light.glb").read_bytes() == (tmp_path / "mm" / "light.glb").read_bytes()


def test_the_light_mesh_lies_in_part_coordinates(scan: Path, tmp_path: Path) -> None:
    import trimesh

    made: Outcome = outcome(scan)
    write(scan, tmp_path / "out")
    part = trimesh.load_mesh(tmp_path / "out" / "light.ply", process=False)
    seen = trimesh.load_mesh(tmp_path / "out" / "light-scan.ply", process=False)
    assert part.bounds[0][2] == pytest.approx(0, abs=1e-9)
    assert part.bounds[1][2] == pytest.approx(30, abs=1e-9)
    assert (seen.vertices == made.lighten.surface.vertices).all()


def test_the_stage_asks_only_for_what_the_runner_can_give() -> None:
    from pipeline import runner

    for parameter in inspect.signature(stage.export).parameters:
        known = runner._asked(parameter) is not None or parameter in (
            "job",
            "folder",
            "keep",
            "ladder",
            "placed",
            "progress",
        )
        assert known, parameter


def test_a_scan_without_features_still_gives_its_mesh(scan: Path, tmp_path: Path) -> None:
    made = outcome(scan, export={"report": False})
    audit = replace(made.audit.audit, features=())
    frame = Frame(np.eye(4), (), False, ("no feature was recovered",))
    recover = replace(made.recover, features=(), patterns=(), measured=())
    labels = np.full_like(made.lighten.labels, -1)
    made = replace(
        made,
        recover=recover,
        frame=FrameResult(frame),
        lighten=replace(made.lighten, labels=labels),
        audit=replace(made.audit, audit=audit),
    )
    written(made, tmp_path / "out")
    data = json.loads((tmp_path / "out" / "datums.json").read_text())
    Draft202012Validator(json.loads((tmp_path / "out" / "datums.schema.json").read_text())).validate(data)
    assert data["features"] == []
    assert any("no feature was recovered" in c for c in data["cautions"])
    assert (tmp_path / "out" / "datums.step").stat().st_size > 0
    assert "None was found" in (tmp_path / "out" / "summary.md").read_text()


def test_every_file_that_summary_and_datum_file_name_is_there(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(scan, out, meshes=["obj", "3mf", "glb"], step="AP214", dxf=True)
    data = json.loads((out / "datums.json").read_text())
    assert set(data["files"]) == set(content(out))
    summary = (out / "summary.md").read_text()
    for name in data["files"]:
        assert f"- `{name}`" in summary
    assert {"datums.step", "flange-plane-1.dxf", "flange-plane-1.pdf", "section.dxf"} <= set(data["files"])
    assert "AUTOMOTIVE_DESIGN" in (out / "datums.step").read_text()[:1500]


def test_a_flange_too_large_for_paper_is_told(scan: Path, tmp_path: Path) -> None:
    made = outcome(scan, export={**LEAN, "dxf": True})
    flange = made.frame.flanges[0]
    far = np.array([1500.0, 0.0])
    wide = Segment("circle", far, far, np.zeros(2), 1500.0)
    assert flange.outer is not None
    large = replace(flange, outer=replace(flange.outer, segments=(wide,)), inner=())
    middling = replace(flange, feature="plane-2", outer=replace(flange.outer, segments=(replace(wide, radius=110.0),)))
    made = replace(made, frame=replace(made.frame, flanges=(large, middling)))
    result = written(made, tmp_path / "out")
    assert "flange-plane-1.dxf" in result.files
    assert "flange-plane-1.pdf" not in result.files
    assert any("plane-1" in c and "larger than any sheet" in c for c in result.cautions)
    assert "flange-plane-2.pdf" in result.files
    assert any("plane-2" in c and "A3" in c for c in result.cautions)


def test_without_the_cad_kernel_the_rest_is_written(
    scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "pipeline.formats.step", None)
    result = write(scan, tmp_path / "out", step="AP242")
    assert "datums.step" not in result.files
    assert any("datums.step was not written" in c for c in result.cautions)
