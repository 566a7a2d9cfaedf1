"""features.csv and relations.csv say what the datum file says."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest

from pipeline.formats.datum_file import build
from pipeline.formats.tables import features_csv, relations_csv
from tests.outcomes import BORE, HEIGHT, WIDTH, outcome

DATA = build(outcome())


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_one_row_a_feature_with_the_same_figures() -> None:
    table = rows(features_csv(DATA))
    assert [r["id"] for r in table] == [f.id for f in DATA.features]
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
    assert float(bore["area_in2"]) == pytest.approx(DATA.features[6].extent.area / 25.4**2, rel=1e-8)
    assert float(bore["direction_uncertainty_deg"]) == pytest.approx(DATA.features[6].uncertainty.direction, rel=1e-5)


def test_relations_carry_their_unit() -> None:
    table = rows(relations_csv(DATA, "in"))
    along, distance = (r for r in table if r["kind"] == "distance")
    assert (distance["first"], distance["second"], distance["unit"]) == ("plane-1", "plane-2", "in")
    assert float(distance["value"]) == pytest.approx(HEIGHT / 25.4, abs=1e-9)
    assert (distance["least"], distance["largest"], distance["p_adjusted"]) == ("", "", "")
    # Between what isn't parallel: WIDTH / 2 give or take 0.2 mm.
    assert float(along["least"]) == pytest.approx((WIDTH / 2 - 0.2) / 25.4, abs=1e-9)
    assert float(along["largest"]) == pytest.approx((WIDTH / 2 + 0.2) / 25.4, abs=1e-9)
    parallel = next(r for r in table if r["kind"] == "parallel")
    assert (parallel["unit"], parallel["uncertainty"]) == ("deg", "")
    assert float(parallel["value"]) == pytest.approx(float(np.degrees(1e-5)), abs=1e-9)


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", " =1", "\t=1"])
def test_a_name_is_never_a_formula(name: str) -> None:
    """A spreadsheet takes a cell that begins so for a formula (OWASP, CSV injection); figures stay figures."""
    changed = DATA.features[6].model_copy(update={"name": name})
    table = rows(features_csv(DATA.model_copy(update={"features": (changed,)})))
    assert table[0]["name"] == f"'{name}"
    assert float(table[0]["diameter_mm"]) == pytest.approx(2 * BORE, abs=1e-9)
    assert all(not cell.startswith("'") for key, cell in table[0].items() if key != "name")
