"""The report as the export stage writes it: listed among the files, and gone when it is no longer asked for."""

from __future__ import annotations

import dataclasses
import html
import json
import re
import tomllib
from html.parser import HTMLParser
from pathlib import Path

from pipeline.formats.datum_file import read_datums
from pipeline.job import GapChoice, make_job
from pipeline.values import ExportResult
from tests.outcomes import outcome, written


def write(scan: Path, out: Path, report: bool) -> ExportResult:
    made = outcome(scan, export={"step": "none", "dxf": False, "report": report})
    return written(dataclasses.replace(made, measured=made.lighten.surface), out)


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


def test_proposed_closing_has_a_picture_and_its_lines_ready_to_paste(tmp_path: Path) -> None:
    scan, out = tmp_path / "plate.stl", tmp_path / "out"
    scan.write_text("stands for the scan")
    made = outcome(scan, export={"step": "none", "dxf": False})
    why = "no metal is seen behind 40 % of it"
    gap = dataclasses.replace(made.gaps[0], id="gap-7", length=60.0, done="left open", proposed=why)
    files = written(dataclasses.replace(made, gaps=(*made.gaps, gap)), out).files
    assert "pictures/closing-1.png" in files
    assert "pictures/closing-2.png" not in files
    data = read_datums(out / "datums.json")
    assert [g.proposed for g in data.gaps] == ["", why]
    report, summary = ((out / name).read_text(encoding="utf-8") for name in ("report.html", "summary.md"))
    assert report.count("gap-7: what is round it, marked") == 1
    for text in (html.unescape(report), summary):
        assert why in text
        # What stands there is taken by a job file as it stands.
        (pasted,) = re.findall(r"\[\[fill\.gaps\]\][^<`]*", text[text.index("roposed for closing") :])
        assert make_job({"scan": "plate.stl", **tomllib.loads(pasted)}).fill.gaps == (
            GapChoice(id="gap-7", do="close"),
        )


class _Elements(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, list[str]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, [name for name, _ in attrs]))


def test_no_text_of_the_user_is_markup(tmp_path: Path) -> None:
    """The report of a job full of markup has the elements of a plain one, and no more."""
    found = []
    for text in ("plain", "<script>alert(1)</script><img src=x onerror=alert(1)>\"'></title></style>&lt;"):
        scan = tmp_path / "plate.stl"
        scan.write_text("stands for the scan")
        made = outcome(scan, export={"step": "none", "dxf": False}, title=text, names={"cylinder-1": text})
        recover = dataclasses.replace(
            made.recover, rejected=[dataclasses.replace(r, reason=text) for r in made.recover.rejected]
        )
        gaps = tuple(dataclasses.replace(gap, note=text) for gap in made.gaps)
        made = dataclasses.replace(
            made, recover=recover, gaps=gaps, source=dataclasses.replace(made.source, file=text), cautions=(text,)
        )
        written(made, tmp_path / text[:5])
        page = _Elements()
        page.feed((tmp_path / text[:5] / "report.html").read_text(encoding="utf-8"))
        found.append(page.found)
        assert not any(name.startswith("on") for _, names in page.found for name in names)
    plain, marked = (sorted(tag for tag, _ in elements) for elements in found)
    assert plain == marked
