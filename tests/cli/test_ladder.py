"""datumlift ladder: its table, plot and verdict."""

from __future__ import annotations

import csv
from pathlib import Path
from xml.etree import ElementTree

import pytest
import trimesh
from click.testing import CliRunner

from pipeline.cli.ladder import Rung, as_csv, as_svg, command, table
from pipeline.errors import SettingsError
from tests.mesh.simplify.test_edge_collapse import _noisy_ball


@pytest.fixture
def ball(tmp_path: Path) -> Path:
    vertices, faces = _noisy_ball(6, 0.0)
    path = tmp_path / "ball.stl"
    trimesh.Trimesh(vertices, faces, process=False).export(path)
    return path


def test_the_smallest_count_that_holds_is_named(ball: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    arguments = [str(ball), "--counts", "200,4e3,20000", "--max-deviation", "0.3", "--out", str(out), "--quiet"]
    done = CliRunner().invoke(command, arguments, standalone_mode=False, catch_exceptions=False)
    assert done.return_value == 0
    rows = list(csv.DictReader((out / "ladder.csv").open()))
    assert [round(int(r["facets"]), -1) for r in rows] == [200, 4000, 20000]
    deviations = [float(r["max_mm"]) for r in rows]
    assert deviations == sorted(deviations, reverse=True)
    # A ball R30 of 200 facets has chords of about R (1 - cos(a)) = 0.5 mm and more, of 4000 facets 0.05 mm.
    assert [r["within_budget"] for r in rows] == ["False", "True", "True"]
    assert f"Smallest count that holds the budget: {int(rows[1]['facets']):,} facets" in done.output
    ElementTree.parse(out / "ladder.svg")


def test_a_budget_that_nothing_holds_gives_status_3(ball: Path, tmp_path: Path) -> None:
    arguments = [str(ball), "--counts", "200", "--max-deviation", "0.001", "--out", str(tmp_path / "o"), "--quiet"]
    assert CliRunner().invoke(command, arguments, standalone_mode=False, catch_exceptions=False).return_value == 3


def test_counts_above_the_scan_are_refused(ball: Path, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="fewer than every count"):
        CliRunner().invoke(
            command,
            [str(ball), "--counts", "1e7", "--out", str(tmp_path / "o"), "--quiet"],
            standalone_mode=False,
            catch_exceptions=False,
        )


def test_plot_and_table_of_given_rungs() -> None:
    rungs = [Rung(1000, 0.02, 0.05, 0.2, 0.0, 0.0, 0.01, False), Rung(5000, 0.004, 0.01, 0.04, 0.0, 0.0, 0.002, True)]
    assert as_csv(rungs).splitlines()[2].startswith("5000,0.004000,0.010000,0.040000")
    svg = ElementTree.fromstring(as_svg(rungs, 0.05))
    texts = {e.text for e in svg.iter() if e.tag.endswith("text")}
    assert {"1,000", "5,000", "budget", "max", "rms"} <= texts


def test_in_inches_the_chart_the_table_and_the_file_say_the_same() -> None:
    rungs = [
        Rung(1000, 0.0254, 0.0508, 0.254, 0.0, 0.0, 0.0127, False),
        Rung(9000, 0.01, 0.02, 0.05, 0.0, 0.0, 0.0, True),
    ]
    head, first, _ = table(rungs, True, "in")
    assert "   thou, " in head
    assert first.split()[1:5] == ["1.000", "2.000", "10.000", "0.000"]
    (row, _) = csv.DictReader(as_csv(rungs, "in").splitlines())
    assert (row["rms_in"], row["max_in"], row["chord_radius_in"]) == ("0.001000", "0.010000", "0.000500")
    drawn = {unit: ElementTree.fromstring(as_svg(rungs, 0.05, unit)) for unit in ("mm", "in")}
    said = {unit: [e.text or "" for e in svg.iter() if e.tag.endswith("text")] for unit, svg in drawn.items()}
    assert any(text.endswith("(thou)") for text in said["in"])
    assert not any("um" in text for text in said["in"])
    # 25.4 um and 1 thou are the same height of the chart.
    lines = {u: [e.get("points") for e in svg.iter() if e.tag.endswith("polyline")] for u, svg in drawn.items()}
    assert lines["in"] == lines["mm"]
