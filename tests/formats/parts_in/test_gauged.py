"""Diameters measured by hand in a fit-up: they count where they are known better, and give the fit that they were asked
for.

Covers: pipeline.formats.parts_in.run_folder
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.cli.main import main
from pipeline.errors import SettingsError
from pipeline.fitup import Placed, placed, turned_body
from pipeline.fitup.made import MadePart, made
from pipeline.formats.datum_file import CaliperRecord
from pipeline.formats.parts_in.run_folder import gauged
from pipeline.making import MakeQuestion
from pipeline.values import Feature

SPIGOT = {"on": "casting: step 1", "fit": "H7/f7", "length": 20, "face": "casting: end"}


def said(value: float, uncertainty: float, agrees: bool | None = True) -> CaliperRecord:
    return CaliperRecord(
        feature="step 1", measured=value, measured_uncertainty=uncertainty, scanned=85.0, scanned_uncertainty=0.02,
        agrees=agrees, note="",
    )  # fmt: skip


def spigot(*sizes: CaliperRecord) -> MadePart:
    """A spigot in a bore D85 whose diameter a scan tells to 0.02 mm, standard, with sizes measured by hand."""
    body = turned_body("casting", [(0, 85), (50, 85)], 0.01)

    def bored(feature: Feature) -> Feature:
        return gauged(replace(feature, side="bore"), sizes) if feature.id == "step 1" else feature

    features = tuple(map(bored, body.features))
    parts = {"casting": Placed(replace(body, features=features), placed([]))}
    return made(MakeQuestion.model_validate({"name": "it", "spigot": SPIGOT}), parts)


def test_gauged_as_well_as_was_asked_the_fit_can_be_given() -> None:
    with pytest.raises(SettingsError, match=r"gauge it to (\d+) um or better") as told:
        spigot()
    asked = float(re.search(r"gauge it to (\d+) um", str(told.value))[1])  # type: ignore[index]
    part = spigot(said(85.012, 1e-3 * asked / 1.96))
    within = next(f.value for f in part.figures if f.name == "share within the fit")
    assert within >= 95.0
    measured = next(f for f in part.figures if f.name == "bore as measured")
    assert measured.value == pytest.approx(85.012)
    assert measured.expanded == pytest.approx(1e-3 * asked, rel=0.01)
    assert any("as measured by hand; the scan shows 85.000 mm" in text for text in part.facts)
    with pytest.raises(SettingsError, match="gauge it to"):
        spigot(said(85.012, 0.03))


def test_what_does_not_agree_with_the_scan_is_in_doubt() -> None:
    part = spigot(said(85.2, 0.004, agrees=False))
    assert "doesn't agree" in " ".join(part.doubts)


def test_several_are_known_no_better_than_they_agree() -> None:
    """85.00, 85.02 and 85.04, each to 1 um: their mean to 0.02 / sqrt 3 (GUM, type A)."""
    body = turned_body("casting", [(0, 85), (50, 85)], 0.01)
    bore = next(f for f in body.features if f.id == "step 1")
    found = gauged(bore, [said(v, 0.001) for v in (85.0, 85.02, 85.04)])
    assert 2 * (found.radius or 0) == pytest.approx(85.02)
    # No better than the scan's 0.01 of the radius would be no gain.
    assert found.uncertainty.radius == pytest.approx(0.5 * 0.02 / np.sqrt(3))
    assert gauged(bore, [said(85.1, 0.05)]) == bore


@pytest.mark.slow
def test_lines_that_a_fit_up_prints_are_pasted_back(tmp_path: Path) -> None:
    """A small scan of the demo part, run; a spigot made to its bore says what to gauge; with that in the job the run
    takes it, and the fit is surer by as much."""
    import json

    def called(*words: str | Path) -> int:
        with pytest.raises(SystemExit) as end:
            main([str(word) for word in words])
        return int(end.value.code or 0)

    assert called("demo", "--facets", "6e4", "--out", tmp_path, "--quiet") == 0
    (scan,) = tmp_path.glob("*scan.stl")
    layout = tmp_path / "fit.toml"
    layout.write_text(f"""
[part.housing]
run = "{scan.stem}"
[[make]]
name = "plug"
[make.spigot]
on = "housing: bore nearest [0, 42.5, -98]"
face = "housing: face nearest [8, 0, -98]"
fit = "H7/f7"
length = 14
""")
    assert called("fit", layout, "--quiet") == 0
    before = json.loads((tmp_path / "fit" / "fit.json").read_text())["made"][0]
    lines = before["gauges"][0]["lines"]
    scanned = tomllib.loads(lines)["measured"][0]["value"]
    pasted = re.sub(r"value = [\d.]+", f"value = {scanned + 0.004:.4f}", lines)
    pasted = re.sub(r"uncertainty = [\d.]+", "uncertainty = 0.002", pasted)
    job = tmp_path / "job.toml"
    job.write_text(f'scan = "{scan}"\nout = "{tmp_path / scan.stem}"\n{pasted}\n')
    assert called("run", job, "--quiet") == 0
    assert called("fit", layout, "--quiet") == 0
    after = json.loads((tmp_path / "fit" / "fit.json").read_text())["made"][0]

    def figure(made: dict, name: str) -> float:
        return next(f for f in made["figures"] if f["name"] == name)

    assert figure(after, "bore as measured")["value"] == pytest.approx(scanned + 0.004, abs=1e-4)
    assert figure(after, "bore as measured")["expanded"] == pytest.approx(1.96 * 0.002, rel=1e-3)
    assert figure(before, "bore as measured")["expanded"] > 2 * 1.96 * 0.002
    assert figure(after, "share within the fit")["value"] >= figure(before, "share within the fit")["value"]
    width = [figure(m, "clearance, most (95 %)")["value"] - figure(m, "clearance, least (95 %)")["value"]
             for m in (before, after)]  # fmt: skip
    assert width[1] < width[0]
