"""The report as the export stage writes it: listed among the files, and gone when it is no longer asked for."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

from pipeline.progress import silent
from pipeline.stages.export import write_outputs
from pipeline.values import ExportResult
from tests.outcomes import outcome


def write(scan: Path, out: Path, report: bool) -> ExportResult:
    made = outcome(scan, export={"step": "none", "dxf": False, "report": report})
    return write_outputs(dataclasses.replace(made, measured=made.lighten.surface), out, (), silent)


def test_it_is_written_listed_and_taken_away(tmp_path: Path) -> None:
    scan, out = tmp_path / "plate.stl", tmp_path / "out"
    scan.write_text("stands for the scan")
    files = set(write(scan, out, report=True).files)
    assert {"report.html", "pictures/corner.png", "pictures/plus-z.png", "pictures/residuals-cylinder-1.png"} <= files
    data = json.loads((out / "datums.json").read_text(encoding="utf-8"))
    assert files == set(data["files"])
    assert all((out / name).is_file() for name in files)
    text = (out / "report.html").read_text(encoding="utf-8")
    assert data["source"]["sha256"] in text
    assert "facets = 100000" in text  # the job as it was run
    files = set(write(scan, out, report=False).files)
    assert "report.html" not in files
    assert not (out / "report.html").exists()
    assert list(out.glob("pictures/*")) == []


def test_the_same_outcome_gives_the_same_report(tmp_path: Path) -> None:
    scan = tmp_path / "plate.stl"
    scan.write_text("stands for the scan")
    for name in ("a", "b"):
        write(scan, tmp_path / name, report=True)
    first, second = (
        {p.relative_to(tmp_path / name): p.read_bytes() for p in (tmp_path / name).rglob("*") if p.is_file()}
        for name in ("a", "b")
    )
    assert first == second
