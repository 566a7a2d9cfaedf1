"""The tables and the summary say what the datum file says."""

from __future__ import annotations

import csv
import io

import pytest
from pipeline.formats.summary import summary_md

from pipeline.formats import datum_file
from pipeline.formats.tables import features_csv, relations_csv
from tests.outcomes import BORE, HEIGHT, outcome

DATA = datum_file.build(outcome())


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_one_row_a_feature_with_the_same_figures() -> None:
    table = rows(features_csv(DATA))
    assert [r["id"] for r in table] == [f["id"] for f in DATA["features"]]
    bore = table[6]
    assert bore["name"] == "main bore"
    assert float(bore["diameter_mm"]) == pytest.approx(2 * BORE, abs=1e-9)
    assert float(bore["z_mm"]) == pytest.approx(14, abs=1e-9)
    assert float(bore["diameter_uncertainty_mm"]) == pytest.approx(0.0016)
    assert float(bore["position_uncertainty_mm"]) == 0.0015
    assert float(bore["position_uncertainty_in_part_frame_mm"]) == 0.0025
    assert table[0]["diameter_mm"] == ""
    assert table[13]["position_uncertainty_mm"] == ""


def test_inches_are_exact_and_named() -> None:
    bore = rows(features_csv(DATA, "in"))[6]
    assert "diameter_mm" not in bore
    # 1 in = 25.4 mm exactly (international yard and pound agreement of 1959; ISO 80000-3).
    assert float(bore["diameter_in"]) == pytest.approx(2 * BORE / 25.4, abs=1e-9)
    assert float(bore["area_in2"]) == pytest.approx(DATA["features"][6]["extent"]["area"] / 25.4**2, rel=1e-8)
    assert float(bore["direction_uncertainty_deg"]) == pytest.approx(
        DATA["features"][6]["uncertainty"]["direction"], rel=1e-5
    )


def test_relations_carry_their_unit() -> None:
    table = rows(relations_csv(DATA, "in"))
    distance = next(r for r in table if r["kind"] == "distance")
    assert (distance["first"], distance["second"], distance["unit"]) == ("plane-1", "plane-2", "in")
    assert float(distance["value"]) == pytest.approx(HEIGHT / 25.4, abs=1e-9)
    parallel = next(r for r in table if r["kind"] == "parallel")
    assert (parallel["unit"], parallel["uncertainty"]) == ("deg", "")


def test_the_summary_warns_and_names_every_feature() -> None:
    text = summary_md(DATA, ("datums.json", "light.stl"))
    assert "local codes and licensed practice come first" in text
    assert "no substitute for measuring the part" in text
    for item in DATA["features"]:
        assert f"| {item['id']} " in text or item["id"] == "cylinder-7"
    for caution in DATA["cautions"]:
        assert caution in text
    assert "40.000" in text
    assert "| 2.5 |" in text  # um, of places against the part frame
    assert "-0.000" not in text
    assert "1.5748" in summary_md(DATA, (), "in")  # 40 / 25.4


def test_the_summary_says_so_at_the_top_when_something_failed() -> None:
    lost = {**DATA, "audit": {**DATA["audit"], "within_budget": False}}
    assert "Not within budget" in "\n".join(summary_md(lost, ()).splitlines()[:4])
    wrong = {**DATA, "calipers": [{**DATA["calipers"][0], "agrees": False}]}
    assert "caliper check failed" in "\n".join(summary_md(wrong, ()).splitlines()[:4])
    silent = {**DATA, "audit": {**DATA["audit"], "budget": []}}
    assert "No budget was set" in summary_md(silent, ())


def test_what_is_not_to_be_relied_on_shows_no_size() -> None:
    text = summary_md(DATA, ())
    assert "| cylinder-7 " not in text
    (line,) = [row for row in text.splitlines() if row.startswith("- cylinder-7:")]
    assert "only 2 mm of it were seen" in line
    assert "9.000" not in line


def test_standard_sizes_that_are_one_size_share_a_row() -> None:
    suggestion = DATA["suggestions"][1]
    twin = suggestion | {"name": "another of that size"}
    text = summary_md(DATA | {"suggestions": [*DATA["suggestions"], twin]}, ())
    (row,) = [line for line in text.splitlines() if "M8 medium" in line]
    assert row.endswith("| M8 medium; another of that size |")
    assert "Suggestions only" in text


def test_the_square_up_sheet() -> None:
    (row,) = [line for line in summary_md(DATA, ()).splitlines() if line.startswith("| cylinder-1 | A |")]
    cells = [cell.strip() for cell in row.strip("|").split("|")]
    assert cells == ["cylinder-1", "A", "square", "0.0011", "0.0017", "0.6", "28.0", "-", "no"]
